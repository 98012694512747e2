"""Does it come out again?"""
