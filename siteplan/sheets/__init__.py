"""Plan sheets and pictures: the plan on paper, at a true scale.

Everything is drawn in the site's ground metres, grid north up, never from a web map.  The
numbers come from :mod:`siteplan.layers` and the takeoff; nothing is measured here.
"""
