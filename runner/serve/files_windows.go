package serve

// openFiles is how many files this program may have open, 0 unknown.
func openFiles() int { return 0 }
