"""The command line: parse, dispatch, exit codes. Results on stdout, progress and errors on stderr."""
