"""The yard on a terminal: every enclosure of every station in one table, worst first.

Door: `run.py`. `table.py` draws it. May import: monitor, monitor.config, monitor.listen,
monitor.screen, monitor.ship, rules, sensors, sensors.mqtt.
"""
