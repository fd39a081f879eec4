"""What a person is told, as data: the verdict, sections with sentences and tables, figures.

Comes in: a session's results. Goes out: texts, tables and Plotly figures; no files, no HTML pages.
May use: tension, questions, stroke, sound, drills, reference, signal, statistics, model.
"""
