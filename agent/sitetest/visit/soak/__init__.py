"""An unattended visit: rounds until a time is over, a watch on the path all along. May import what `visit` may."""
