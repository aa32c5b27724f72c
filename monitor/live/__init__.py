"""The running watch: its loop, restart, publishing, alarms and service.

Door: `loop.py`. May import: monitor, monitor.alarms, monitor.config, monitor.job, monitor.log,
monitor.outlook, monitor.replay, monitor.screen, rules, rules.air, rules.clocks, rules.outlook,
rules.spec, sensors, sensors.mqtt.
"""
