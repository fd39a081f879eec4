"""Practice plans."""
