"""Charts for the document: plain scientific graphics, readable in black and white. May import what `report` may."""
