package pages

import (
	"crypto/sha256"
	"embed"
	"fmt"
	"io/fs"
)

//go:embed web
var web embed.FS

// Files are the style sheets and the scripts of the pages.
func Files() fs.FS {
	files, err := fs.Sub(web, "web")
	if err != nil {
		panic(err) // the path is a constant of this file
	}
	return files
}

// Address is where pages ask for one of the Files. It has the start of the content's
// digest in it, so that a browser may keep what it got from there for good.
func Address(name string) (string, error) {
	text, err := fs.ReadFile(Files(), name)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("/%s?v=%.6x", name, sha256.Sum256(text)), nil
}
