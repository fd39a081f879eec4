"""A phone as the instrument's sensor, nothing to install: a page over TLS, readings in batches, a source like others.

Comes in: readings that a phone's browser sends. Goes out: samples, news of the link, every loss counted by cause.
May use: live (guard, open doors), sources, player, terminal, files.
"""
