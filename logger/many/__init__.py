"""Many sessions: what was found out about each, kept; workers here or on a cluster; the tables of all.

Comes in: session files. Goes out: results, summaries and tables.
May use: terminal, session, files.
"""
