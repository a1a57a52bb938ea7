"""What a soak may be said to have shown: kept records of one or more nights -> figures, outages, levels, sentences."""
