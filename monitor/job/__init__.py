"""The job: its file read, its plan made and bettered, and shown as text, JSON and a page.

Door: `make.py`. May import: monitor, monitor.config, monitor.log, monitor.outlook, monitor.review,
rules, rules.air, rules.batch, rules.clocks, rules.job, rules.outlook, rules.spec, sensors.
"""
