"""Session times as a clock shows them."""


def clock(seconds: float) -> str:
    """Write a session time as a clock shows it."""
    minutes, rest = divmod(int(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02}:{rest:02}"
