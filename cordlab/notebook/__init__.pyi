from . import choose as choose
from . import panels as panels
