package engine

import (
	"strconv"
	"strings"
)

// Fixed is v with so many digits behind the point and no sign on a zero: a
// person who reads -0.0 looks for what is negative.
func Fixed(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}
