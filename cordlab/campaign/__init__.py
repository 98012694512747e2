"""What was written down? A folder becomes a `Campaign`, or every problem at once.

campaign   the folder read whole and checked, jumps.csv by itself; start here
files      files read once and hashed; the one writer
tables     CSV tables and records read against the columns that are wanted
settings   campaign.toml: rig, site, criteria, decision
decisions  decisions.csv: what was settled by hand
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
