"""Observers that stand beside a transfer and write down what could explain its figure.

They move no payload of their own, never stop a test and never delay one. May import sitetest_wire, sitetest.ceilings
and general libraries only.
"""
