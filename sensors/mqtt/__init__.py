"""Readings from a broker: the link, which topic serves which point, what a message says.

Door: `intake.py`. May import: rules, sensors.
"""
