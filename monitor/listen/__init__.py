"""What a listener knows of every enclosure: the calls as they are heard, and which still count.

Door: `yard.py`. `message.py` reads what was heard, `listener.py` hears it,
`words.py` words it. Page and yard share it.
May import: monitor, monitor.config, rules, sensors, sensors.mqtt.
"""
