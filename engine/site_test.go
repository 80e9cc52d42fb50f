package engine

import (
	"math"
	"testing"
)

func TestLinesAreMultiplesInsideTheBand(t *testing.T) {
	tests := []struct {
		signal      TestSignal
		n           int
		first, last float64
	}{
		{TestSignal{"", 0.5, Band{20, 120}}, 51, 20, 120},
		{TestSignal{"", 0.5, Band{20.1, 119.9}}, 49, 22, 118},
		{TestSignal{"", 0.1, Band{20, 120}}, 11, 20, 120},
		{TestSignal{"", 1, Band{0, 3}}, 3, 1, 3}, // no sine at 0 Hz
		{TestSignal{"", 0, Band{20, 120}}, 0, 0, 0},
		{TestSignal{"", math.NaN(), Band{20, 120}}, 0, 0, 0},
		{TestSignal{"", math.Inf(1), Band{20, 120}}, 0, 0, 0},
		{TestSignal{"", 0.5, Band{120, 20}}, 0, 0, 0},
		{TestSignal{"", 1, Band{1, 1e300}}, 0, 0, 0},
	}
	for _, test := range tests {
		lines := test.signal.Lines()
		if len(lines) != test.n {
			t.Errorf("%+v: got %d lines, want %d", test.signal, len(lines), test.n)
		} else if test.n > 0 && (lines[0] != test.first || lines[test.n-1] != test.last) {
			t.Errorf("%+v: got %g to %g, want %g to %g", test.signal, lines[0], lines[test.n-1], test.first, test.last)
		}
	}
}

func TestFindingThingsOnASite(t *testing.T) {
	site := good()
	if fed := site.Fed(5); len(fed) != 2 || fed[1].Name != "ahead right" {
		t.Errorf("output 5 feeds %v", fed)
	}
	if o, ok := site.Output(5); !ok || o.Label != "ahead" {
		t.Errorf("got %v, %v", o, ok)
	}
	if _, ok := site.Output(4); ok {
		t.Error("found an output that is not there")
	}
	if m, ok := site.Microphone(RoleRear); !ok || m.Name != "gate" {
		t.Errorf("got %v, %v", m, ok)
	}
	if n := site.OutputNumbers(); len(n) != 2 || n[0] != 3 || n[1] != 5 {
		t.Errorf("got outputs %v, want [3 5]", n)
	}
	if _, ok := (Site{}).Microphone(RoleRear); ok {
		t.Error("found a microphone that is not there")
	}
	if d := (Point{1, 2, 3}).Distance(Point{3, 5, 9}); d != 7 { // 2² + 3² + 6² = 7²
		t.Errorf("got %g m, want 7 m", d)
	}
}
