"""Outlooks from a log, beside the loop and as a command, and the forecasts they take.

Door: `make.py`. May import: monitor, monitor.config, monitor.log, rules, rules.air, rules.clocks,
rules.outlook, rules.spec, sensors, sensors.recording.
"""
