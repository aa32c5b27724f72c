"""The command line: parse, call, print; a file a command.

Door: `app.py`. May import: monitor, monitor.alarms, monitor.calibrate, monitor.config,
monitor.doctor, monitor.job, monitor.live, monitor.log, monitor.outlook, monitor.page,
monitor.replay, monitor.review, monitor.screen, monitor.setup, monitor.ship, monitor.yard, rules,
rules.air, rules.batch, rules.clocks, rules.spec, sensors, sensors.mqtt, sensors.recording,
sensors.simulate.
"""
