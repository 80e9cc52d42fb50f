package engine

import "fmt"

// Problem is one thing wrong with a site. Path names the value in the site
// file's own spelling ("sources[2].at", counted from 0), Got and Want are
// phrases that finish "got ..., want ...".
type Problem struct{ Path, Got, Want string }

// String reads "PATH: got X, want Y".
func (p Problem) String() string { return fmt.Sprintf("%s: got %s, want %s", p.Path, p.Got, p.Want) }
