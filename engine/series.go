package engine

import "fmt"

// Heard is what is open in one state of a series: one row, one output, or, as the
// zero value, everything.
type Heard struct {
	Row  Row
	Solo int // number of an output; 0: none by itself
}

// Heard lists what a site wants heard, everything first: it is what the verdict
// rests on. Then the rows, rear before front as rows are matched behind, then the
// outputs, ascending.
func (s Site) Heard() []Heard {
	all := []Heard{{}}
	for _, row := range []Row{RowRear, RowFront} {
		if s.Series.Rows() && len(s.RowOutputs(row)) > 0 {
			all = append(all, Heard{Row: row})
		}
	}
	if s.Series.Outputs() {
		for _, o := range s.Outputs {
			all = append(all, Heard{Solo: o.Number})
		}
	}
	return all
}

// Outputs are those that are open, ascending; nil for all.
func (h Heard) Outputs(site Site) []int {
	switch {
	case h.Row != "":
		return site.RowOutputs(h.Row)
	case h.Solo != 0:
		return []int{h.Solo}
	}
	return nil
}

// Words say which outputs play.
func (h Heard) Words(site Site) string {
	switch {
	case h.Row != "":
		return fmt.Sprintf("the %s row alone", h.Row)
	case h.Solo != 0:
		output, _ := site.Output(h.Solo)
		return fmt.Sprintf("output %d alone (%s)", h.Solo, output.Label)
	}
	return "everything open"
}
