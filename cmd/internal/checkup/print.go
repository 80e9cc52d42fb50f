package checkup

import (
	"fmt"
	"io"
)

// Print writes a report for people: what was found out, and below each trouble
// and note what to do. paint may colour the words of the levels.
func Print(w io.Writer, r Report, paint func(word string) string) error {
	text, about := r.Job+"\n", ""
	troubles := 0
	for _, f := range r.Findings {
		if f.About != about {
			about = f.About
			text += about + "\n"
		}
		text += "  " + paint(string(f.Level)) + fmt.Sprintf("%*s %s\n", 8-len(f.Level), "", f.Says)
		if f.Do != "" {
			text += fmt.Sprintf("  %-8s %s\n", "do:", f.Do)
		}
		if f.Level == Trouble {
			troubles++
		}
	}
	switch troubles {
	case 0:
		text += "all well; nothing was set on any processor\n"
	case 1:
		text += "1 trouble; nothing was set on any processor\n"
	default:
		text += fmt.Sprintf("%d troubles; nothing was set on any processor\n", troubles)
	}
	_, err := io.WriteString(w, text)
	return err
}
