package engine

import "testing"

func TestFixedPutsNoSignOnAZero(t *testing.T) {
	for _, c := range []struct {
		v      float64
		digits int
		want   string
	}{
		{-0.04, 1, "0.0"}, {-0.05001, 1, "-0.1"}, {0.04, 1, "0.0"}, {-0.4, 0, "0"}, {-12.346, 2, "-12.35"}, {-1.005e3, 0, "-1005"},
	} {
		if got := Fixed(c.v, c.digits); got != c.want {
			t.Errorf("%g with %d digits is %q, want %q", c.v, c.digits, got, c.want)
		}
	}
}
