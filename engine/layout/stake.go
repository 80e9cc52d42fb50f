package layout

import (
	"math"

	"hushback/engine"
)

// Stake is where one source goes, as a person with a tape measure wants it.
type Stake struct {
	Source     string  `json:"source"`
	AlongM     float64 `json:"along_m"`      // from the datum towards the audience, +x
	AsideM     float64 `json:"aside_m"`      // from the datum to the left, +y
	HeightM    float64 `json:"height_m"`     // of the middle of the front face above the ground, z = 0
	FromDatumM float64 `json:"from_datum_m"` // straight along the ground, from the datum to below the front face
	BearingRad float64 `json:"bearing_rad"`  // of that line, counter-clockwise from +x
	FacingRad  float64 `json:"facing_rad"`
}

// StakeOut lists where the sources go, in the order of the site. The datum,
// which all is measured from, is on the ground below the front face of the
// source that stands nearest the x axis, of the rear row if there is one; of
// several the rearmost. Half a millimetre is no difference.
func StakeOut(site engine.Site) []Stake {
	stakes := make([]Stake, len(site.Sources))
	datum := datum(site.Sources)
	for i, src := range site.Sources {
		along, aside := src.At.X-datum.X, src.At.Y-datum.Y
		stakes[i] = Stake{
			Source: src.Name,
			AlongM: along, AsideM: aside, HeightM: src.At.Z,
			FromDatumM: math.Hypot(along, aside),
			BearingRad: math.Atan2(aside, along),
			FacingRad:  src.FacingRad,
		}
	}
	return stakes
}

func datum(sources []engine.Source) engine.Point {
	const same = 0.0005
	var best engine.Source
	for i, src := range sources {
		ahead := src.Row == engine.RowRear && best.Row != engine.RowRear
		behind := src.Row != engine.RowRear && best.Row == engine.RowRear
		nearer := math.Abs(best.At.Y) - math.Abs(src.At.Y)
		level := math.Abs(nearer) <= same && src.At.X < best.At.X-same
		if i == 0 || ahead || !behind && (nearer > same || level) {
			best = src
		}
	}
	return best.At
}
