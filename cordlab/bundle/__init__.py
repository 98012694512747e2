"""Does it come out again?

publish    everything in one zip
described  what it says about itself
unpack     a stranger's zip, unpacked safely
recheck    a bundle re-run; start here
review     a page of what was found, what is judgement, what was changed
documents  its report and other files against what follows from the numbers
compare    two results, number by number
"""
