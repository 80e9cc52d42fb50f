package places

import (
	"testing"

	"hushback/engine"
)

func TestTheWidthOfTheAudience(t *testing.T) {
	zones := []engine.Zone{{Kind: engine.ZoneAudience}, {Kind: engine.ZoneQuiet, Corners: []engine.Point{{X: -90}, {X: -80}, {X: -80, Y: 9}}}}
	zones[0].Corners = []engine.Point{{X: 10, Y: -5, Z: 1}, {X: 50, Y: -25, Z: 1}, {X: 50, Y: 5, Z: 1}, {X: 10, Y: 5, Z: 1}}
	line, middle := across(zones)
	if middle != (engine.Point{X: 30, Z: 1}) {
		t.Errorf("the middle is %v", middle)
	}
	if first, last := line[0], line[len(line)-1]; first != (engine.Point{X: 30, Y: -15, Z: 1}) || last != (engine.Point{X: 30, Y: 5, Z: 1}) {
		t.Errorf("the line runs from %v to %v, want y -15 to 5", first, last)
	}
	if line, _ := across(zones[1:]); line != nil {
		t.Error("found a width without an audience")
	}
}
