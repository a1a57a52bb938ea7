"""The watch that a soak keeps on the path between and during its tests: probes, link, clocks. May import observe."""
