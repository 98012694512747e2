from . import panels as panels
from . import run as run
