// Package quantity reads values as people write them, a number with its unit,
// exactly: 75 in, 6 ft 3 in and 1.905 m become the same float64. A number
// without a unit is never a quantity.
package quantity

import (
	"math/big"
	"strings"
)

// Kind is a kind of value that is written with its unit.
type Kind struct {
	Want  string // what to write, for errors: "a length such as 1.9 m"
	units []unit
	// tail reads what may follow a number beyond one of the units, such as
	// "ft 3 in" or "samples @ 48 kHz"; nil when there is no such form.
	tail func(number, rest string) (*big.Rat, bool)
}

// unit turns a written number into SI: (number - zero)·num/den. All are exact
// fractions, so 75 in, 6 ft 3 in and 1.905 m become the same float64.
type unit struct {
	name           string
	zero, num, den int64
}

func (u unit) toSI(number *big.Rat) *big.Rat {
	v := new(big.Rat).Sub(number, big.NewRat(u.zero, 1))
	return v.Mul(v, big.NewRat(u.num, u.den))
}

// Length is in metres. The inch is 25.4 mm and the foot 12 in, exactly
// (international yard and pound agreement of 1959; from memory).
func Length() Kind {
	return Kind{
		Want: "a length such as 1.9 m or 6 ft 3 in",
		units: []unit{
			{"m", 0, 1, 1}, {"cm", 0, 1, 100}, {"mm", 0, 1, 1000},
			{"ft", 0, 3048, 10000}, {"in", 0, 254, 10000},
		},
		tail: feetAndInches,
	}
}

// Temperature is in degrees Celsius; °C = (°F - 32)·5/9, exactly.
func Temperature() Kind {
	return Kind{
		Want:  "a temperature such as 18 °C or 64 °F",
		units: []unit{{"°C", 0, 1, 1}, {"°F", 32, 5, 9}, {"degC", 0, 1, 1}, {"degF", 32, 5, 9}},
	}
}

// TemperatureDifference is in kelvin, the same as degrees Celsius: 9 °F of
// difference are 5 °C, wherever the scales begin.
func TemperatureDifference() Kind {
	return Kind{
		Want:  "a difference of temperature such as 3 °C or 5 °F",
		units: []unit{{"°C", 0, 1, 1}, {"°F", 0, 5, 9}, {"K", 0, 1, 1}, {"degC", 0, 1, 1}, {"degF", 0, 5, 9}},
	}
}

// Angle is in radians. The fraction below is a convergent of π, good to 30
// digits, so 180° becomes the float64 that is nearest to π.
func Angle() Kind {
	const num, den = 5706674932067741, 1816491048114374
	return Kind{
		Want:  "an angle such as 60° or 1.05 rad",
		units: []unit{{"°", 0, num, 180 * den}, {"deg", 0, num, 180 * den}, {"rad", 0, 1, 1}},
	}
}

// Share is a part of one: 60 % is 0.6.
func Share() Kind {
	return Kind{Want: "a percentage such as 60 %", units: []unit{{"%", 0, 1, 100}}}
}

// Pressure is in pascals.
func Pressure() Kind {
	return Kind{
		Want:  "an air pressure such as 1009 hPa or 100.9 kPa",
		units: []unit{{"hPa", 0, 100, 1}, {"kPa", 0, 1000, 1}, {"Pa", 0, 1, 1}, {"mbar", 0, 100, 1}},
	}
}

// Frequency is in hertz.
func Frequency() Kind {
	return Kind{
		Want:  "a frequency such as 47 Hz",
		units: []unit{{"Hz", 0, 1, 1}, {"kHz", 0, 1000, 1}},
	}
}

// Period is in seconds. A count of samples becomes one with its sample rate.
func Period() Kind {
	return Kind{
		Want:  "a time such as 5.5 ms or 264 samples @ 48 kHz",
		units: []unit{{"s", 0, 1, 1}, {"ms", 0, 1, 1000}, {"µs", 0, 1, 1000000}, {"us", 0, 1, 1000000}},
		tail:  samplesAtRate,
	}
}

// Delay is a period that may also be written as the way of sound: some
// processors count in metres or feet, at a speed of sound of their own.
func Delay() Kind {
	q := Period()
	q.Want = "a time such as 5.5 ms, 264 samples @ 48 kHz or 1 m @ 343 m/s"
	q.tail = func(number, rest string) (*big.Rat, bool) {
		if sec, ok := samplesAtRate(number, rest); ok {
			return sec, true
		}
		return wayAtSpeed(number, rest)
	}
	return q
}

// wayAtSpeed reads "m @ 343 m/s" or "ft @ 1125 ft/s" behind a number.
func wayAtSpeed(number, rest string) (*big.Rat, bool) {
	unit, at, ok := strings.Cut(rest, "@")
	unit = strings.TrimSpace(unit)
	speed, perSecond := strings.CutSuffix(strings.TrimSpace(at), unit+"/s")
	if !ok || !perSecond || unit != "m" && unit != "ft" {
		return nil, false
	}
	way, plain := Decimal(number)
	metres, ok := Decimal(strings.TrimSpace(speed))
	if !ok || !plain || metres.Sign() <= 0 {
		return nil, false
	}
	return way.Quo(way, metres), true // the unit is in both, whatever it is
}

// Level is in decibels.
func Level() Kind {
	return Kind{Want: "a level such as -7.5 dB", units: []unit{{"dB", 0, 1, 1}}}
}

// Parse reads a number and its unit and returns the exact value in SI. Only
// plain decimals are numbers: no exponent, no infinity, no thousands mark.
func (q Kind) Parse(text string) (*big.Rat, bool) {
	end := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("+-.0123456789", r) })
	if end < 0 {
		return nil, false
	}
	number, ok := Decimal(text[:end])
	if !ok {
		return nil, false
	}
	rest := strings.TrimSpace(text[end:])
	for _, u := range q.units {
		if rest == u.name {
			return u.toSI(number), true
		}
	}
	if q.tail == nil {
		return nil, false
	}
	return q.tail(text[:end], rest)
}

// Decimal reads a plain decimal number exactly. Its length is bounded because
// exact fractions of a million digits take minutes.
func Decimal(text string) (*big.Rat, bool) {
	const maxDigits = 40
	if len(text) > maxDigits || strings.Trim(text, "+-.0123456789") != "" {
		return nil, false
	}
	return new(big.Rat).SetString(text)
}

// feetAndInches reads "ft 3 in" behind a whole number of feet. A minus belongs
// to all of it, -0 ft 3 in included.
func feetAndInches(number, rest string) (*big.Rat, bool) {
	inches, ok := strings.CutPrefix(rest, "ft ")
	feet, plain := Decimal(strings.TrimPrefix(number, "-"))
	if !ok || !plain || !feet.IsInt() {
		return nil, false
	}
	in := unit{"in", 0, 254, 10000}
	foot := in.toSI(big.NewRat(12, 1))
	more, ok := Kind{units: []unit{in}}.Parse(strings.TrimSpace(inches))
	if !ok || more.Sign() < 0 || more.Cmp(foot) >= 0 {
		return nil, false
	}
	sum := feet.Add(feet.Mul(feet, foot), more)
	if strings.HasPrefix(number, "-") {
		sum.Neg(sum)
	}
	return sum, true
}

// samplesAtRate reads "samples @ 48 kHz" behind a number of samples.
func samplesAtRate(number, rest string) (*big.Rat, bool) {
	word, at, ok := strings.Cut(rest, "@")
	if word = strings.TrimSpace(word); !ok || word != "samples" && word != "sample" {
		return nil, false
	}
	count, plain := Decimal(number)
	rate, ok := Frequency().Parse(strings.TrimSpace(at))
	if !ok || !plain || rate.Sign() <= 0 {
		return nil, false
	}
	return count.Quo(count, rate), true
}
