"""How sure is the next drop?"""
