"""The dock: pairs, what they say, the settings, and the way to an accepted tie."""
