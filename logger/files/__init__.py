"""Files written whole or not at all, decimal text, TOML, CSV and Arrow tables; none of them knows what they hold.

Comes in: bytes, rows, tables, paths. Goes out: files, and checked values read from them.
May use: nothing of logger.
"""
