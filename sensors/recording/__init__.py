"""Readings from a recorded file: how it is laid out, its columns, its times.

Door: `open.py`. May import: rules, sensors, sensors.believe.
"""
