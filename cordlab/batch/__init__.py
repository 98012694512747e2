"""What do the cords have in common, and how do they differ?"""
