package figures

import (
	"math"
	"strings"
	"testing"
)

func TestNumbersInWords(t *testing.T) {
	cases := []struct{ got, want string }{
		{Number(-7.84, 1), "−7.8"}, {Number(-0.04, 1), "0.0"}, {Number(0.05, 1), "0.1"}, {Number(12, 0), "12"}, {Number(-0.4, 0), "0"},
		{Number(math.NaN(), 1), "unknown"}, {Number(math.Inf(1), 1), "∞"}, {Number(math.Inf(-1), 1), "−∞"},
		{Ms(0.00517), "5.17 ms"}, {DB(-40.55), "−40.5 dB"}, {Hz(47), "47.0 Hz"}, {Metres(-1.75), "−1.75 m"},
		{Minus("-7.8 dB"), "−7.8 dB"}, {Minus("output 2: gain -7.8 dB"), "output 2: gain −7.8 dB"}, {Minus("outputs 1-3, −2 ü"), "outputs 1-3, −2 ü"}, {Minus("below (-39.9 to -35.6 dB)"), "below (−39.9 to −35.6 dB)"}, {Minus("c-0008 at 2026-11-25, ü-7"), "c-0008 at 2026-11-25, ü-7"}, {Minus("at" + Space + "-3 or ±-4"), "at −3 or ±−4"}, {Minus("7.8 dB"), "7.8 dB"}, {Minus("-"), "-"}, {Minus("-off"), "-off"}, {Minus(""), ""},
	}
	for _, c := range cases {
		if got := strings.ReplaceAll(c.got, Space, " "); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}
