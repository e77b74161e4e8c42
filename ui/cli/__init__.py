"""The command ``qca``: each command a few lines over the library."""
