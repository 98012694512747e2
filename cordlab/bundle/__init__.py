"""Does it come out again?

publish  everything in one zip
unpack   a stranger's zip, unpacked safely
recheck  a bundle re-run; start here
compare  two results, number by number
"""
