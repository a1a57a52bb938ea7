"""What agent and server must agree on: words, units, messages, samples, the measuring window.

A module lives here only if both sides import it. Nothing here imports anything but the standard library.
"""
