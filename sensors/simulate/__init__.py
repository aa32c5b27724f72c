"""A simulated tent and its probes, for demo and trials.

Door: `tent.py`. May import: rules, sensors.
"""
