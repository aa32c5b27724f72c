"""The config file: its form, read and checked, with every default.

Door: `load.py`. May import: monitor, rules, rules.air, rules.spec, sensors,
sensors.mqtt, sensors.recording.
"""
