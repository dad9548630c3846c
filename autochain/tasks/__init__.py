"""One job, one file: a request, the function that does it, and what comes of it.

Every job first refuses what it can know at the start, then works, then writes its files, each complete or not at all.
It prints nothing: the command line prints what comes back, a script takes it as it is.
"""
