"""The shipped coating specs: generic common practice, no maker's figures.

Door: `one-pack-enamel.toml`. It imports nothing of the house.
"""
