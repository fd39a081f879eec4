"""Sessions from other programs' files and to them: CSV, Parquet, Motion-BIDS.

Comes in: files. Goes out: session files, or data sets with their documents.
May use: player, report, many, sources, session, terminal, files.
"""
