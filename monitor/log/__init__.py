"""The log: one SQLite file that keeps readings, calls and events, and shows what was changed in it.

Door: `log.py`. The file's tables stand in `schema.py`. May import: monitor, monitor.config,
rules, rules.spec, sensors.
"""
