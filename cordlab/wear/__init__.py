"""For how many jumps?"""
