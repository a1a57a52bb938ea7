"""Results turned into text for people. Decides nothing and measures nothing."""
