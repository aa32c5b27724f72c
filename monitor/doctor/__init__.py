"""Looks at a set-up from config to screen and says what to fix.

Door: `doctor.py`. May import: monitor, monitor.alarms, monitor.calibrate, monitor.config,
monitor.live, monitor.log, monitor.outlook, monitor.screen, rules, rules.outlook, sensors,
sensors.mqtt, sensors.recording.
"""
