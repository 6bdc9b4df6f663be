"""boilwitness: what a boiling-water canner did, and what the record proves."""

__version__ = "0.1.0"
