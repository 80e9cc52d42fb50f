package daemon

import (
	"fmt"
	"testing"

	"hushback/engine"
)

// TestSeries: rear before front, rows before outputs, and no group of outputs
// twice, for each is muted and opened once.
func TestSeries(t *testing.T) {
	site := engine.Site{
		Outputs: []engine.Output{{Number: 1, Label: "rear"}, {Number: 4, Label: "left"}, {Number: 7, Label: "right"}},
		Sources: []engine.Source{{Row: engine.RowFront, Output: 4}, {Row: engine.RowRear, Output: 1}, {Row: engine.RowFront, Output: 7}, {Row: engine.RowFront, Output: 7}},
	}
	oneRow := site
	oneRow.Sources = oneRow.Sources[2:3]
	for _, c := range []struct {
		site         engine.Site
		series       engine.Series
		words, alone string
	}{
		{site, "", "[everything open output 1 alone (rear) output 4 alone (left) output 7 alone (right)]", "[[1] [4] [7]]"},
		{site, engine.SeriesRows, "[everything open the rear row alone the front row alone]", "[[1] [4 7]]"},
		{site, engine.SeriesBoth, "[everything open the rear row alone the front row alone output 1 alone (rear) output 4 alone (left) output 7 alone (right)]", "[[1] [4 7] [4] [7]]"},
		{oneRow, engine.SeriesRows, "[everything open the front row alone]", "[[7]]"},
	} {
		c.site.Series = c.series
		var words []string
		for _, h := range c.site.Heard() {
			words = append(words, h.Words(c.site))
		}
		if got := fmt.Sprint(words); got != c.words {
			t.Errorf("%q: got %s, want %s", c.series, got, c.words)
		}
		if got := fmt.Sprint(alone(c.site)); got != c.alone {
			t.Errorf("%q: alone %s, want %s", c.series, got, c.alone)
		}
	}
}
