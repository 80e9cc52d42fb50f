package rehearsal

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"hushback/engine"
)

// FaultKind says what is out of order in the simulated rig.
type FaultKind string

// The faults. The first four sit between the processor and the air, so what
// the processor says about itself stays innocent.
const (
	NoFault  FaultKind = ""
	Polarity FaultKind = "polarity" // cable reversed
	Dead     FaultKind = "dead"     // no sound at all
	Late     FaultKind = "late"     // 4 ms more than the processor knows of
	Moved    FaultKind = "moved"    // 0.6 m nearer the audience than the site says
	Cold     FaultKind = "cold"     // air 20 °C colder than the site says
	Deaf     FaultKind = "deaf"     // microphone noise swamps the signal
)

// The size of the faults that have one.
const (
	lateSec     = 4e-3
	movedMetres = 0.6
	coldKelvin  = 20
)

// Fault is one thing out of order. Output 0 stands for the site's first front
// output; faults of the whole rig have no output.
type Fault struct {
	Kind   FaultKind
	Output int
}

// String spells a fault the way ParseFault reads it.
func (f Fault) String() string {
	if f.Output == 0 {
		return string(f.Kind)
	}
	return fmt.Sprintf("%s=%d", f.Kind, f.Output)
}

// faultKinds lists every kind in the order in which a person is told of them,
// those that belong to one output first.
func faultKinds() (ofOutput, ofRig []FaultKind) {
	return []FaultKind{Polarity, Dead, Late, Moved}, []FaultKind{Cold, Deaf}
}

// Faults are all kinds that ParseFault knows.
func Faults() []FaultKind {
	ofOutput, ofRig := faultKinds()
	return slices.Concat(ofOutput, ofRig)
}

// ParseFault reads KIND or KIND=OUTPUT. Outputs are the ones that the site
// uses. Without an output, Output stays 0.
func ParseFault(s string, outputs []int) (Fault, error) {
	name, number, given := strings.Cut(s, "=")
	kind := FaultKind(name)
	ofOutput, ofRig := faultKinds()
	switch {
	case slices.Contains(ofRig, kind):
		if given {
			return Fault{}, fmt.Errorf("fault %q: %s is a fault of the whole rig and takes no output; an output goes with %s", s, kind, list(ofOutput))
		}
		return Fault{Kind: kind}, nil
	case !slices.Contains(ofOutput, kind):
		return Fault{}, fmt.Errorf("fault %q: no such kind, there are %s", s, list(Faults()))
	case !given:
		return Fault{Kind: kind}, nil
	}
	output, err := strconv.Atoi(number)
	if err != nil || !slices.Contains(outputs, output) {
		return Fault{}, fmt.Errorf("fault %q: the site has no output %q, it has %s", s, number, list(outputs))
	}
	return Fault{Kind: kind, Output: output}, nil
}

// settle fills in the default output and checks the fault against the site, so
// that a fault not read by ParseFault cannot quietly do nothing.
func (f Fault) settle(site engine.Site) (Fault, error) {
	ofOutput, ofRig := faultKinds()
	if slices.Contains(ofOutput, f.Kind) && f.Output == 0 {
		for _, number := range site.OutputNumbers() {
			if slices.ContainsFunc(site.Fed(number), func(s engine.Source) bool { return s.Row == engine.RowFront }) {
				f.Output = number
				return f, nil
			}
		}
		return f, fmt.Errorf("fault %s: the site has no front source, name an output", f)
	}
	if f == (Fault{}) || f.Output == 0 && slices.Contains(ofRig, f.Kind) {
		return f, nil
	}
	return ParseFault(f.String(), site.OutputNumbers())
}

// cable is what a fault does to the signal between an output and its sources:
// a factor and an extra delay in seconds.
func (f Fault) cable(output int) (factor, extraSec float64) {
	if f.Output != output {
		return 1, 0
	}
	switch f.Kind {
	case Polarity:
		return -1, 0
	case Dead:
		return 0, 0
	case Late:
		return 1, lateSec
	default:
		return 1, 0
	}
}

// list joins things the way a sentence does: "1, 2 and 3".
func list[T any](things []T) string {
	var b strings.Builder
	for i, thing := range things {
		switch {
		case i == 0:
		case i == len(things)-1:
			b.WriteString(" and ")
		default:
			b.WriteString(", ")
		}
		fmt.Fprint(&b, thing)
	}
	return b.String()
}
