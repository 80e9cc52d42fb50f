package processor

import (
	"fmt"
	"strconv"
	"strings"
)

// place is what stands for the output's number in an address.
const place = "{output}"

// address fills the places of an address in.
func (p Profile) address(address string, output int) string {
	address = strings.ReplaceAll(address, place, strconv.Itoa(output))
	for _, n := range p.Numbering {
		address = strings.ReplaceAll(address, "{"+n.Name+"}", n.text(output))
	}
	return address
}

// names reports whether an address says which output it is of.
func (p Profile) names(address string) bool {
	for _, n := range p.Numbering {
		if strings.Contains(address, "{"+n.Name+"}") {
			return true
		}
	}
	return strings.Contains(address, place)
}

// called is an output as an argument: an int32, or a string where the numbering
// has no number for it.
func (p Profile) called(numbering string, output int) any {
	for _, n := range p.Numbering {
		if n.Name != numbering {
			continue
		}
		text := n.text(output)
		if number, err := strconv.ParseInt(text, 10, 32); err == nil && n.FirstLetter == 0 {
			return int32(number)
		}
		return text
	}
	return int32(output)
}

// text is an output in an address; "?", which no address may hold, if the
// numbering does not reach that far.
func (n Numbering) text(output int) string {
	switch {
	case n.Table != nil && output >= 1 && output <= len(n.Table):
		return n.Table[output-1]
	case n.FirstLetter != 0 && output >= 1 && output <= letters:
		return string(n.FirstLetter + byte(output-1))
	case n.Table != nil || n.FirstLetter != 0:
		return "?"
	}
	return fmt.Sprintf("%0*d", n.Digits, n.First+output-1)
}

// letters is how far letters go.
const letters = 26
