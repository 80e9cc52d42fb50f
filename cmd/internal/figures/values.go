// Package figures turns numbers into what a person reads: values in words, a
// chart of levels over frequency, and plans to scale. It computes where things
// go and what they say; the page's templates draw them. It is pure.
package figures

import (
	"math"
	"strconv"
	"strings"
	"unicode"

	"hushback/engine"
)

// Number writes v with so many decimals and a real minus sign, which screen
// readers say aloud; NaN is "unknown".
func Number(v float64, places int) string {
	switch {
	case math.IsNaN(v):
		return "unknown"
	case math.IsInf(v, 1):
		return "∞"
	case math.IsInf(v, -1):
		return "−∞"
	}
	return Minus(engine.Fixed(v, places))
}

// Minus turns the hyphen before a number into a minus sign, unless it joins
// the number to a letter or a digit.
func Minus(text string) string {
	var b strings.Builder
	before := ' '
	for i, r := range text {
		digitFollows := i+1 < len(text) && text[i+1] >= '0' && text[i+1] <= '9'
		if r == '-' && digitFollows && !unicode.IsLetter(before) && !unicode.IsDigit(before) {
			r = '−'
		}
		b.WriteRune(r)
		before = r
	}
	return b.String()
}

// Space keeps a value and its unit on one line.
const Space = "\u00a0"

// Ms says a time given in seconds in milliseconds.
func Ms(sec float64) string { return Number(sec*1000, 2) + Space + "ms" }

// DB says a level.
func DB(db float64) string { return Number(db, 1) + Space + "dB" }

// Hz says a frequency.
func Hz(hz float64) string { return Number(hz, 1) + Space + "Hz" }

// Metres says a length.
func Metres(m float64) string { return Number(m, 2) + Space + "m" }

// Percent is a probability, never said surer than it is.
func Percent(p float64) string {
	if p > 0.99 {
		return "over 99" + Space + "%"
	}
	return strconv.FormatFloat(100*p, 'f', 0, 64) + Space + "%"
}
