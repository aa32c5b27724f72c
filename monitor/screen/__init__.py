"""The screen: one enclosure's snapshot drawn in a theme, and the keys that record what people do.

Door: `layout.py`. `terminal.py` puts its lines on a real terminal. May import: monitor, rules,
rules.air, rules.clocks, rules.spec, sensors.
"""
