"""What an unattended visit may be said to have shown: kept records of one or more nights -> figures and findings.

May import store, stats, numpy and the standard library only. No clock, no printing.
"""
