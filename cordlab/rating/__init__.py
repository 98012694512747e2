"""Which riders, which next weight, which lot?

criteria    limits held against the criteria at each rider mass
rate        the rated range, or every reason against one; the answer without what was settled by hand; start here
ladder      may the next mass be dropped, and on which cord?
next_drop   what the drops so far leave possible of it
range_plan  the range to expect of more or fewer cords
lot         break tests
"""
