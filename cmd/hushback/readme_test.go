package main

import "testing"

// The README's console blocks are run and must come out as printed. Measured
// numbers carry noise: on lines that tell of a measurement they may differ in
// their last digits, elsewhere not at all.
func TestReadmeCommands(t *testing.T) {
	newReader(t, "../../README.md").follow()
}
