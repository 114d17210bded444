"""Survey points and field notes made into outlines of lines and arcs.

``survey`` reads point files with linework, ``notes`` reads what was written down with a tape in
hand; both give :class:`siteplan.fieldnotes.strings.ArcStrings`.  ``curves``, ``traverse``,
``ties`` and ``anchor`` are the numbers behind them: arrays in, arrays out, no file.
"""
