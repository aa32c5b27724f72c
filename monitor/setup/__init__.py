"""Setting up: looks at a recording or a broker, asks what it cannot know, writes a config.

Door: `setup.py`. `recording.py` and `listen.py` look, `ask.py` asks, `write.py` and `job.py` write.
May import: monitor, monitor.config, monitor.doctor, rules, sensors, sensors.mqtt,
sensors.recording.
"""
