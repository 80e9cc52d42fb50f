package layout

import (
	"math"

	"hushback/engine"
)

// Row is the places of count cabinets on an arc of a circle, from left to
// right, looking along +x. Neighbours are spacingM apart in a straight line;
// arcRad is the angle between the outermost two seen from the circle's centre,
// which lies behind the row. The foremost cabinets (one in the middle, or the
// middle two) stand on x = 0, the row is symmetric about the x axis. An arc of
// 0 is straight, and so are one and two cabinets on any arc.
//
// With θ = arcRad/(count-1) from neighbour to neighbour the radius is
// spacingM/(2·sin(θ/2)) and cabinet i stands at the angle φ = (mid-i)·θ:
// y = R·sin φ, x = R·(cos φ - cos φ of the foremost). Beyond 2π·(1-1/count) the
// ends of the arc stand closer than neighbours do; Expand refuses that, the
// formula does not.
func Row(count int, spacingM, arcRad float64) []engine.Point {
	if count < 1 {
		return nil
	}
	places := make([]engine.Point, count)
	theta := arcRad / math.Max(1, float64(count-1))
	foremost := float64((count+1)%2) / 2 * theta
	for i := range places {
		off := float64(count-1)/2 - float64(i) // from the middle, in steps to the left
		if count < 3 || theta == 0 {
			places[i].Y = spacingM * off
			continue
		}
		radius, phi := spacingM/(2*math.Sin(theta/2)), off*theta
		// cos a - cos b as a product: a gentle arc would lose its digits in the difference.
		places[i].X = -2 * radius * math.Sin((phi+foremost)/2) * math.Sin((phi-foremost)/2)
		places[i].Y = radius * math.Sin(phi)
	}
	return places
}

// Bend is the delays in seconds that make a straight row sound like the arc of
// Row: each cabinet waits as long as sound at soundSpeed (m/s) takes from the
// foremost place of the arc back to its own. The middle waits 0.
func Bend(count int, spacingM, arcRad, soundSpeed float64) []float64 {
	places := Row(count, spacingM, arcRad)
	delays := make([]float64, len(places))
	for i, p := range places {
		delays[i] = math.Max(0, -p.X/soundSpeed)
	}
	return delays
}
