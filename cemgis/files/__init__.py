"""Bytes to tables and back: whatever is read from or written to a file."""
