"""Which riders, which next weight, which lot?"""
