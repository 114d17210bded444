"""What differs: product lines on the same runs, and two revisions of a plan.

The package loads nothing by itself; take :mod:`siteplan.compare.lines` or
:mod:`siteplan.compare.changes`.
"""
