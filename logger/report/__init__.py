"""Pages and tables of results: the session's page, a player's weeks, CSV and JSON.

Comes in: results and sections. Goes out: files that stand alone.
May use: many, terminal, files.
"""
