package doors

import (
	"fmt"
	"io"
	"strings"

	"rsc.io/qr"
)

// Invitation is what the terminal says about the page.
type Invitation struct {
	URL, Code string
	Identity  *Certificate // nil without TLS
	Draw      bool         // a code for a phone's camera as well
}

// Write says where the page is and how to get in.
func (i Invitation) Write(w io.Writer) {
	link := Link(i.URL, i.Code)
	fmt.Fprintf(w, "page          %s/\n", i.URL)
	fmt.Fprintf(w, "pairing code  %s\n", i.Code)
	fmt.Fprintf(w, "both in one   %s\n", link)
	if i.Identity != nil {
		certificate, key := i.Identity.Fingerprints()
		fmt.Fprintln(w, "certificate   nobody vouches for it, so browsers warn: go on only where they show one of these (SHA-256)")
		fmt.Fprintf(w, "  its own     %s\n", certificate)
		fmt.Fprintf(w, "  its key's   %s\n", key)
	}
	if !i.Draw {
		return
	}
	if code, err := Code(link); err != nil {
		fmt.Fprintf(w, "not drawn     %v\n", err)
	} else {
		fmt.Fprint(w, "\n", code, "\n")
	}
}

// Link is the page's address with the pairing code behind it, as a fragment: it
// stays in the browser, and no log on the way has it.
func Link(url, code string) string { return url + "/#k=" + code }

// quiet is the light margin that a reader wants around a code, in modules
// (ISO/IEC 18004, 6.3.8).
const quiet = 4

// The colours of a code are spelled out, since a terminal's own may be light on
// dark, which not every reader takes: black 16 on white 231 of the 256.
const (
	inked = "\x1b[38;5;16;48;5;231m"
	plain = "\x1b[0m"
)

// Code draws a text as a QR code of half blocks, two modules above each other to a
// letter.
func Code(text string) (string, error) {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return "", fmt.Errorf("QR code of %d letters: %w", len(text), err)
	}
	var b strings.Builder
	for y := -quiet; y < code.Size+quiet; y += 2 {
		b.WriteString(inked)
		for x := -quiet; x < code.Size+quiet; x++ {
			b.WriteString(half(code.Black(x, y), code.Black(x, y+1)))
		}
		b.WriteString(plain + "\n")
	}
	return b.String(), nil
}

// half is the letter that shows an upper and a lower module.
func half(upper, lower bool) string {
	switch {
	case upper && lower:
		return "█"
	case upper:
		return "▀"
	case lower:
		return "▄"
	default:
		return " "
	}
}
