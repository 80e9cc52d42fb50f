package quantity

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
)

// parsed reads a quantity the way a file does, down to float64.
func parsed(t *testing.T, q Kind, text string) float64 {
	t.Helper()
	exact, ok := q.Parse(text)
	if !ok {
		t.Fatalf("%q: refused as %s", text, q.Want)
	}
	f, _ := exact.Float64()
	return f
}

// TestQuantities: the wanted numbers are Go constants, which are exact too but
// are computed by the compiler. Compared without a tolerance.
func TestQuantities(t *testing.T) {
	const inch = 25.4 / 1000 // metres; BIPM and NIST SP 811, exact by definition (from memory)
	tests := []struct {
		q    Kind
		text string
		want float64
	}{
		{Length(), "1.9 m", 1.9},
		{Length(), "190 cm", 1.9},
		{Length(), "1900 mm", 1.9},
		{Length(), "1.9m", 1.9},
		{Length(), "-1.75 m", -1.75},
		{Length(), "+1.75 m", 1.75},
		{Length(), "0 m", 0},
		{Length(), "1 in", inch},
		{Length(), "1 ft", 12 * inch},
		{Length(), "75 in", 75 * inch},
		{Length(), "6 ft 3 in", 1.905},
		{Length(), "6 ft 3.5 in", 75.5 * inch},
		{Length(), "6 ft  3in", 75 * inch},
		{Length(), "-6 ft 3 in", -75 * inch},
		{Length(), "0 ft 11.5 in", 11.5 * inch},
		{Length(), "-0 ft 11.5 in", -11.5 * inch},
		{Length(), "010 m", 10},
		{Length(), "0.1 m", 0.1},
		{Temperature(), "18 °C", 18},
		{Temperature(), "0 °C", 0},
		{Temperature(), "32 °F", 0},
		{Temperature(), "212 °F", 100},
		{Temperature(), "-40 °F", -40},
		{Temperature(), "64 degF", 160. / 9},
		{Temperature(), "17.5 degC", 17.5},
		{TemperatureDifference(), "3 °C", 3},
		{TemperatureDifference(), "9 °F", 5},
		{TemperatureDifference(), "5 °F", 25. / 9},
		{TemperatureDifference(), "0 °F", 0},
		{TemperatureDifference(), "2.5 K", 2.5},
		{TemperatureDifference(), "-9 degF", -5},
		{TemperatureDifference(), "4 degC", 4},
		{Angle(), "180°", math.Pi},
		{Angle(), "90 °", math.Pi / 2},
		{Angle(), "60°", math.Pi / 3},
		{Angle(), "-15 deg", -math.Pi / 12},
		{Angle(), "0.5°", math.Pi / 360},
		{Angle(), "360°", 2 * math.Pi},
		{Angle(), "0°", 0},
		{Angle(), "1.05 rad", 1.05},
		{Angle(), "-3.5rad", -3.5},
		{Share(), "60 %", 0.6},
		{Share(), "200 %", 2},
		{Share(), "62%", 0.62},
		{Share(), "0 %", 0},
		{Pressure(), "1009 hPa", 100900},
		{Pressure(), "1009 mbar", 100900},
		{Pressure(), "101.3 kPa", 101300},
		{Pressure(), "101325 Pa", 101325},
		{Frequency(), "47 Hz", 47},
		{Frequency(), "48 kHz", 48000},
		{Frequency(), "0.5 Hz", 0.5},
		{Period(), "5.5 ms", 0.0055},
		{Period(), "0.0055 s", 0.0055},
		{Period(), "5500 µs", 0.0055},
		{Period(), "5500 us", 0.0055},
		{Period(), "264 samples @ 48 kHz", 0.0055},
		{Period(), "264 samples @ 48000 Hz", 0.0055},
		{Period(), "264 samples @48 kHz", 0.0055},
		{Period(), "1 sample @ 96 kHz", 1. / 96000},
		{Period(), "441 samples @ 44.1 kHz", 0.01},
		{Level(), "-7.5 dB", -7.5},
		{Level(), "0 dB", 0},
		{Level(), "6dB", 6},
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
		q     Kind
		texts []string
	}{
		"length": {Length(), []string{"", "m", "1.9", "1.9 M", "1.9 metres", "1,9 m", "1.9 m m", "1.9 Hz", "1.9 dB", "1.2.3 m", "--1 m", "+-1 m", "1- m", ". m", "- m",
			"1e3 m", "0x10 m", "1_000 m", "1 000 m", "1/2 m", "½ m", "Inf m", "NaN m", ".inf m", "−1 m", "１ m",
			"6 ft 13 in", "6 ft 12 in", "6 ft -3 in", "6.5 ft 3 in", "6 ft 3", "6 ft 3 cm", "6 ft 3 in 1 in", "6 ft 3 ft", "6' 3\"", "3 in 6 ft",
			"9999999999999999999999999999999999999999999 m", "1.9 m\nx"}},
		"temperature": {Temperature(), []string{"18", "18 C", "18 K", "18 °", "18 ºC", "18 m"}},
		"difference":  {TemperatureDifference(), []string{"3", "3 C", "3 F", "3 °", "3 mK", "3 %"}},
		"angle":       {Angle(), []string{"60", "60 degrees", "60 d", "1/3 rad", "60'", "60° 30'", "1 turn", "60 grad", "60 %", "60 ℃", "60 º"}},
		"share":       {Share(), []string{"0.6", "60", "60 percent", "60 %%", "%"}},
		"pressure":    {Pressure(), []string{"1009", "1009 hpa", "1009 HPA", "1 atm", "30 inHg"}},
		"frequency":   {Frequency(), []string{"47", "47 hz", "47 HZ", "47 mHz", "47 1/s"}},
		"period":      {Period(), []string{"5.5", "5", "5 sec", "264 samples", "264 samples @", "264 samples @ 0 Hz", "264 samples @ -48 kHz", "264 samples @ 48", "264 @ 48 kHz", "264 frames @ 48 kHz", "264 samples 48 kHz", "1 m"}},
		"level":       {Level(), []string{"-7.5", "-7.5 db", "-7.5 DB", "-7.5 dBu", "-7.5 %", "-inf dB", "- 7.5 dB"}},
	}
	for kind, r := range refused {
		for _, text := range r.texts {
			if got, ok := r.q.Parse(text); ok {
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
			if got := parsed(t, Length(), text); got != mm {
				t.Fatalf("seed %d: %q: got %v, want %v", seed, text, got, mm)
			}
		}
		sign, inches := "", n
		if n < 0 {
			sign, inches = "-", -n
		}
		feet := sign + strconv.Itoa(inches/12) + " ft " + strconv.Itoa(inches%12) + " in"
		if a, b := parsed(t, Length(), feet), parsed(t, Length(), strconv.Itoa(n)+" in"); a != b {
			t.Fatalf("seed %d: %q is %v, %d in is %v", seed, feet, a, n, b)
		}
		fahrenheit := parsed(t, Temperature(), shifted(n, 4)+" °F")
		if back := fahrenheit*1.8 + 32; math.Abs(back-float64(n)/1e4) > 1e-12 {
			t.Fatalf("seed %d: %v °C goes back to %v °F, want %v", seed, fahrenheit, back, float64(n)/1e4)
		}
	}
}

// shifted spells n·10^-places as a plain decimal.
func shifted(n, places int) string {
	return strconv.FormatFloat(float64(n)/math.Pow10(places), 'f', places, 64)
}
