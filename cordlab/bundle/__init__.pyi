from . import publish as publish
from . import recheck as recheck
