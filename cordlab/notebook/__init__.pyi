from . import panels as panels
