package configs

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
)

// parsed reads a quantity the way a file does, down to float64.
func parsed(t *testing.T, q quantity, text string) float64 {
	t.Helper()
	exact, ok := q.parse(text)
	if !ok {
		t.Fatalf("%q: refused as %s", text, q.want)
	}
	f, _ := exact.Float64()
	return f
}

// TestQuantities: the wanted numbers are Go constants, which are exact too but
// are computed by the compiler. Compared without a tolerance.
func TestQuantities(t *testing.T) {
	const inch = 25.4 / 1000 // metres; BIPM and NIST SP 811, exact by definition (from memory)
	tests := []struct {
		q    quantity
		text string
		want float64
	}{
		{length(), "1.9 m", 1.9},
		{length(), "190 cm", 1.9},
		{length(), "1900 mm", 1.9},
		{length(), "1.9m", 1.9},
		{length(), "-1.75 m", -1.75},
		{length(), "+1.75 m", 1.75},
		{length(), "0 m", 0},
		{length(), "1 in", inch},
		{length(), "1 ft", 12 * inch},
		{length(), "75 in", 75 * inch},
		{length(), "6 ft 3 in", 1.905},
		{length(), "6 ft 3.5 in", 75.5 * inch},
		{length(), "6 ft  3in", 75 * inch},
		{length(), "-6 ft 3 in", -75 * inch},
		{length(), "0 ft 11.5 in", 11.5 * inch},
		{length(), "-0 ft 11.5 in", -11.5 * inch},
		{length(), "010 m", 10},
		{length(), "0.1 m", 0.1},
		{temperature(), "18 °C", 18},
		{temperature(), "0 °C", 0},
		{temperature(), "32 °F", 0},
		{temperature(), "212 °F", 100},
		{temperature(), "-40 °F", -40},
		{temperature(), "64 degF", 160. / 9},
		{temperature(), "17.5 degC", 17.5},
		{temperatureDifference(), "3 °C", 3},
		{temperatureDifference(), "9 °F", 5},
		{temperatureDifference(), "5 °F", 25. / 9},
		{temperatureDifference(), "0 °F", 0},
		{temperatureDifference(), "2.5 K", 2.5},
		{temperatureDifference(), "-9 degF", -5},
		{temperatureDifference(), "4 degC", 4},
		{angle(), "180°", math.Pi},
		{angle(), "90 °", math.Pi / 2},
		{angle(), "60°", math.Pi / 3},
		{angle(), "-15 deg", -math.Pi / 12},
		{angle(), "0.5°", math.Pi / 360},
		{angle(), "360°", 2 * math.Pi},
		{angle(), "0°", 0},
		{angle(), "1.05 rad", 1.05},
		{angle(), "-3.5rad", -3.5},
		{share(), "60 %", 0.6},
		{share(), "200 %", 2},
		{share(), "62%", 0.62},
		{share(), "0 %", 0},
		{pressure(), "1009 hPa", 100900},
		{pressure(), "1009 mbar", 100900},
		{pressure(), "101.3 kPa", 101300},
		{pressure(), "101325 Pa", 101325},
		{frequency(), "47 Hz", 47},
		{frequency(), "48 kHz", 48000},
		{frequency(), "0.5 Hz", 0.5},
		{period(), "5.5 ms", 0.0055},
		{period(), "0.0055 s", 0.0055},
		{period(), "5500 µs", 0.0055},
		{period(), "5500 us", 0.0055},
		{period(), "264 samples @ 48 kHz", 0.0055},
		{period(), "264 samples @ 48000 Hz", 0.0055},
		{period(), "264 samples @48 kHz", 0.0055},
		{period(), "1 sample @ 96 kHz", 1. / 96000},
		{period(), "441 samples @ 44.1 kHz", 0.01},
		{level(), "-7.5 dB", -7.5},
		{level(), "0 dB", 0},
		{level(), "6dB", 6},
	}
	for _, test := range tests {
		if got := parsed(t, test.q, test.text); got != test.want {
			t.Errorf("%q: got %v, want %v", test.text, got, test.want)
		}
	}
}

// TestQuantitiesRefused: what a person might write and hushback must not guess.
func TestQuantitiesRefused(t *testing.T) {
	refused := map[string]struct {
		q     quantity
		texts []string
	}{
		"length": {length(), []string{"", "m", "1.9", "1.9 M", "1.9 metres", "1,9 m", "1.9 m m", "1.9 Hz", "1.9 dB", "1.2.3 m", "--1 m", "+-1 m", "1- m", ". m", "- m",
			"1e3 m", "0x10 m", "1_000 m", "1 000 m", "1/2 m", "½ m", "Inf m", "NaN m", ".inf m", "−1 m", "１ m",
			"6 ft 13 in", "6 ft 12 in", "6 ft -3 in", "6.5 ft 3 in", "6 ft 3", "6 ft 3 cm", "6 ft 3 in 1 in", "6 ft 3 ft", "6' 3\"", "3 in 6 ft",
			"9999999999999999999999999999999999999999999 m", "1.9 m\nx"}},
		"temperature": {temperature(), []string{"18", "18 C", "18 K", "18 °", "18 ºC", "18 m"}},
		"difference":  {temperatureDifference(), []string{"3", "3 C", "3 F", "3 °", "3 mK", "3 %"}},
		"angle":       {angle(), []string{"60", "60 degrees", "60 d", "1/3 rad", "60'", "60° 30'", "1 turn", "60 grad", "60 %", "60 ℃", "60 º"}},
		"share":       {share(), []string{"0.6", "60", "60 percent", "60 %%", "%"}},
		"pressure":    {pressure(), []string{"1009", "1009 hpa", "1009 HPA", "1 atm", "30 inHg"}},
		"frequency":   {frequency(), []string{"47", "47 hz", "47 HZ", "47 mHz", "47 1/s"}},
		"period":      {period(), []string{"5.5", "5", "5 sec", "264 samples", "264 samples @", "264 samples @ 0 Hz", "264 samples @ -48 kHz", "264 samples @ 48", "264 @ 48 kHz", "264 frames @ 48 kHz", "264 samples 48 kHz", "1 m"}},
		"level":       {level(), []string{"-7.5", "-7.5 db", "-7.5 DB", "-7.5 dBu", "-7.5 %", "-inf dB", "- 7.5 dB"}},
	}
	for kind, r := range refused {
		for _, text := range r.texts {
			if got, ok := r.q.parse(text); ok {
				t.Errorf("%s: %q was read as %v", kind, text, got)
			}
		}
	}
}

// TestQuantityRoundTrips writes a whole number of the smallest unit in every
// other unit and reads it back: all must be the same float64.
func TestQuantityRoundTrips(t *testing.T) {
	const seed = 47
	random := rand.New(rand.NewPCG(seed, seed))
	for range 2000 {
		n := random.IntN(2_000_000) - 1_000_000
		mm := float64(n) / 1000
		for _, text := range []string{strconv.Itoa(n) + " mm", shifted(n, 1) + " cm", shifted(n, 3) + " m"} {
			if got := parsed(t, length(), text); got != mm {
				t.Fatalf("seed %d: %q: got %v, want %v", seed, text, got, mm)
			}
		}
		sign, inches := "", n
		if n < 0 {
			sign, inches = "-", -n
		}
		feet := sign + strconv.Itoa(inches/12) + " ft " + strconv.Itoa(inches%12) + " in"
		if a, b := parsed(t, length(), feet), parsed(t, length(), strconv.Itoa(n)+" in"); a != b {
			t.Fatalf("seed %d: %q is %v, %d in is %v", seed, feet, a, n, b)
		}
		fahrenheit := parsed(t, temperature(), shifted(n, 4)+" °F")
		if back := fahrenheit*1.8 + 32; math.Abs(back-float64(n)/1e4) > 1e-12 {
			t.Fatalf("seed %d: %v °C goes back to %v °F, want %v", seed, fahrenheit, back, float64(n)/1e4)
		}
	}
}

// shifted spells n·10^-places as a plain decimal.
func shifted(n, places int) string {
	return strconv.FormatFloat(float64(n)/math.Pow10(places), 'f', places, 64)
}
