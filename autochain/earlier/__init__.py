"""Earlier sheets: read back, told apart by their song, and compared with what is asked now."""
