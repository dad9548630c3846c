"""The processors, one file each, and the chain that runs them in order."""
