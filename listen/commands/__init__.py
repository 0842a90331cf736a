"""The commands, one module each; :mod:`listen.cli` imports them when they are called."""
