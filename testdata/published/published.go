// Package published hands the check values beside it to tests. They come from outside
// the project, and each file names its source in its first lines.
package published

import (
	"bytes"
	"embed"
	"encoding/csv"
	"strconv"
	"testing"
)

//go:embed *.csv *.json *.wav
var files embed.FS

// File is a file as it is.
func File(t testing.TB, name string) []byte {
	t.Helper()
	text, err := files.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// Row is one line of a table, each cell under the name of its column.
type Row map[string]string

// Table is a table without its first lines.
func Table(t testing.TB, name string) []Row {
	t.Helper()
	reader := csv.NewReader(bytes.NewReader(File(t, name)))
	reader.Comment = '#'
	lines, err := reader.ReadAll()
	if err != nil || len(lines) < 2 {
		t.Fatalf("%s: %d lines, %v", name, len(lines), err)
	}
	table := make([]Row, len(lines)-1)
	for i, cells := range lines[1:] {
		table[i] = Row{}
		for k, cell := range cells {
			table[i][lines[0][k]] = cell
		}
	}
	return table
}

// Number is a cell as a number. "inf" and "-inf" are ones.
func (r Row) Number(t testing.TB, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("column %s: %v", column, err)
	}
	return v
}
