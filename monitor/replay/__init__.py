"""A recording played through an enclosure.

Door: `play.py`. May import: monitor, monitor.config, monitor.log, monitor.outlook, rules,
rules.air, rules.clocks, rules.outlook, rules.spec, sensors, sensors.recording.
"""
