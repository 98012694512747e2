"""What happens in one drop?"""
