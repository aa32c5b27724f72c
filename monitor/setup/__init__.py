"""`filmcall setup`: looks at a recording or a broker, asks what it cannot know, writes a config.

The door is `setup.py`; `recording.py` and `listen.py` look, `ask.py` asks, `write.py` writes. It
may import `sensors`, `rules`, and of `monitor` the config, the specs and doctor's looks.
"""
