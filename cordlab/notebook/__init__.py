"""Widgets, lessons, and the runner of the notebooks.

panel      what every panel is
panels     all of them by name: `cordlab.panels`
choose     which campaign; the start panel; the series run on a campaign
what_if    drop, range and service life under other numbers
by_hand    events marked, cords left out, models compared
reviewing  what a report holds, what one assumption moves
lessons    lessons and their exercises
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
