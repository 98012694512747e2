"""For how many jumps?

wear          limits over the jump count, retirement count, next retest; softer or longer?
service_life  the rated range as cords wear, jumps left of each cord in service; start here
"""
