"""The page for phones and tablets: a listener that shows the calls, and buttons that record.

Door: `app.py`. `serve.py` runs it, `view.py` words what it shows, `accounts.py` and `sessions.py`
say who may. It never touches `watch`. May import: monitor, monitor.config, monitor.listen,
monitor.live, monitor.screen, rules, sensors, sensors.mqtt.
"""
