package main

import (
	"os"

	"golang.org/x/sys/unix"
)

// terminalWidth is that of the terminal on standard output, or the one given.
func terminalWidth(otherwise int) int {
	size, err := unix.IoctlGetWinsize(int(os.Stdout.Fd()), unix.TIOCGWINSZ)
	if err != nil || size.Col < 60 {
		return otherwise
	}
	return int(size.Col)
}
