"""What agent and server must agree on: words, units, messages, samples, and how libiperf is run at both ends.

A module lives here only if both sides import it. Nothing here imports anything but the standard library.
"""
