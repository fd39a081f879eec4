"""The live page and its server."""
