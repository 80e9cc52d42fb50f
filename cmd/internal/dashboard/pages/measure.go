package pages

import (
	"fmt"
	"math"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/figures"
	"hushback/control"
	"hushback/engine"
	"hushback/verify"
)

// enoughDB is what the signal has to stand above the noise of one average for a
// deep null to be read in a few seconds. Common practice, no published source.
const enoughDB = 20

// hearing is one microphone of the site with its feed, if it has one.
type hearing struct {
	desk.Feed
	At    engine.Point
	Meter float64 // 0 to 100 for -90 to 0 dB
	Says  []string
	Warns []string
}

// hearings lists every microphone of the site, connected or not, with what its
// feed sounds like.
func hearings(v desk.View) []hearing {
	var out []hearing
	for _, m := range v.Site.Microphones {
		h := hearing{Feed: desk.Feed{Microphone: m.Name, Role: m.Role}, At: m.At}
		for _, f := range v.Feeds {
			if f.Microphone == m.Name {
				h.Feed = f
			}
		}
		if h.Connected && !h.Functions {
			h.Meter = max(0, min(100, (h.LevelDB+90)/0.9))
			h.Says, h.Warns = quality(h.Feed, lastCapture(v, m.Name))
		}
		out = append(out, h)
	}
	return out
}

// lastCapture is a microphone's newest capture while a change is being measured:
// outputs are muted and opened then, so that the last few seconds are of no one
// state, and only captures tell anything. nil at other times, and before the first.
func lastCapture(v desk.View, microphone string) *verify.Capture {
	if _, measuring := v.State.(control.Measuring); !measuring {
		return nil
	}
	last := &verify.Capture{} // nothing yet
	for i, c := range v.Captures {
		if c.Microphone == microphone {
			last = &v.Captures[i]
		}
	}
	return last
}

// quality says what a feed sounds like just now, or in a capture if there is one,
// and what is wrong with it.
func quality(f desk.Feed, c *verify.Capture) (says, warns []string) {
	playing := !math.IsNaN(f.OverNoiseDB)
	switch {
	case c != nil && len(c.Function.FreqHz) > 0:
		says = append(says, fmt.Sprintf("captured with %d averages at %s", int(c.Function.Averages), clock(c.Taken)))
	case c != nil:
		says = append(says, "nothing captured yet")
	case playing:
		says = append(says, "coherence "+figures.Number(f.Coherence, 2)+" and signal "+figures.DB(f.OverNoiseDB)+" over the noise, over the operating range")
	default:
		says = append(says, "the test signal is not heard in the reference")
	}
	if !math.IsNaN(f.FloorDB) {
		says = append(says, "noise floor "+figures.DB(f.FloorDB)+" re full scale, when nothing played")
	}
	if f.Clipped {
		warns = append(warns, "It clips: turn its gain down.")
	}
	if f.Gaps > 0 {
		warns = append(warns, "Its audio broke off "+figures.Times(f.Gaps)+": look to the cable, the network or the recorder.")
	}
	// Behind, a low signal is what the array is there for.
	if c == nil && playing && f.Role == engine.RoleFront && f.OverNoiseDB < enoughDB {
		warns = append(warns, "The signal stands less than "+figures.DB(enoughDB)+" above the noise: play louder, or wait for quiet.")
	}
	return says, warns
}

// taken is one state of the series, and when it was captured at each microphone
// of the site: "" where it is still to come.
type taken struct {
	What string
	At   []string
}

// seriesOf lists what is captured of a change, state by state.
func seriesOf(v desk.View) []taken {
	var series []taken
	for _, h := range v.Site.Heard() {
		row := taken{What: figures.Capital(h.Words(v.Site))}
		for _, m := range v.Site.Microphones {
			at := ""
			for _, c := range v.Captures {
				if c.Microphone == m.Name && c.Row == h.Row && c.Solo == h.Solo {
					at = clock(c.Taken)
				}
			}
			row.At = append(row.At, at)
		}
		series = append(series, row)
	}
	return series
}
