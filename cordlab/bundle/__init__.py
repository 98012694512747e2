"""Does it come out again?

publish  everything in one zip, and what it says about itself
unpack   a stranger's zip, unpacked safely
recheck  a bundle re-run, and the page that a reviewer reads; start here
compare  two results, number by number
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
