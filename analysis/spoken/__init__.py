"""The spoken language of readings: words to what could be meant, with odds, and back to words."""
