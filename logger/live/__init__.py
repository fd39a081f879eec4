"""The guided session: a small server on this computer, one page, and the estimator that follows the play.

Comes in: samples, what pages ask. Goes out: the state that pages show, a session file, its report.
May use: guide, player, record, report, many, sources, terminal, sliding, practice, session, sound, files.
"""
