"""The commands, one thin module each: parse, call, print.

Comes in: arguments. Goes out: sentences, files, an exit code.
May use: every room of logger.
"""
