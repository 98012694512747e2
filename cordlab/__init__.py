"""cordlab: from drops of dead weights on elastic jump cords to a rated body-mass range, with limits that hold.

The public names are written once, in `__init__.pyi`; each is loaded when it is first used, so that `import cordlab` is
quick.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
