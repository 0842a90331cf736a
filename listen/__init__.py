"""The rooms that touch the world: sound, speech, screens, storage."""

__version__ = "0.1.0"
