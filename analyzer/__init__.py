"""halfshaft: reads a session log and says what the limited-slip differential did."""

__version__ = "0.1.0"
