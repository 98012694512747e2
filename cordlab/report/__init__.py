"""What does the paper say?"""
