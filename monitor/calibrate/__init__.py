"""The command that finds, keeps and lists a probe's calibration.

Door: `probe.py`. May import: monitor, monitor.config, monitor.log, rules, rules.air, sensors,
sensors.calibrate, sensors.mqtt, sensors.recording.
"""
