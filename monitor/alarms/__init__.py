"""What rings and where it goes: the board of open alarms, and its routes.

Door: `board.py`. May import: monitor, monitor.config, monitor.log, monitor.screen, rules, sensors.
"""
