package tolerance

import (
	"fmt"
	"math"

	"hushback/engine"
)

// Limits are what 95 of 100 such rigs clear, each limit taken by itself, eased
// to the next 0.1 dB or 0.1 Hz and at least that:
//
//   - NullDepthDB is the depth at the target that they reach;
//   - NullOffsetHz is how near to the target their null lies;
//   - SumShortfallDB is the shortfall in front that they stay below.
//
// What the measurement itself adds to a rig's errors is not in them; a verdict
// has its own interval for that. A NullDepthDB of 0 or less, which
// Site.Problems refuses, says that the rigs have no null to be held to.
func (r Report) Limits() engine.Limits {
	const hair = 1e-9 // so that a whole tenth stays one
	most := func(v float64) float64 { return math.Max(1, math.Ceil(v*10-hair)) / 10 }
	return engine.Limits{
		NullDepthDB:    math.Floor(-r.AtTargetDB.High*10+hair) / 10,
		NullOffsetHz:   most(r.NullOffsetHz),
		SumShortfallDB: most(r.SumShortfallDB.High),
	}
}

// Held is a site with the limits that it leaves open worked out from what a
// sheet that a processor with ranges r plays does on rigs within the site's
// tolerances; those that the site has stay as they are.
//
// Errors: those of Work, and that such rigs have no null to be held to.
func Held(site engine.Site, sheet engine.Sheet, r engine.Ranges) (engine.Site, error) {
	if !site.Limits.Open() {
		return site, nil
	}
	report, err := Work(site, sheet, r, nil)
	if err != nil {
		return engine.Site{}, err
	}
	return report.Hold(site)
}

// Hold is Held where the site has been worked on already.
func (r Report) Hold(site engine.Site) (engine.Site, error) {
	own := r.Limits()
	fill := func(limit *float64, with float64) {
		if *limit == 0 {
			*limit = with
		}
	}
	if fill(&site.Limits.NullDepthDB, own.NullDepthDB); !(site.Limits.NullDepthDB > 0) {
		return engine.Site{}, fmt.Errorf("limits.null_depth: 95 of 100 rigs within the site's tolerances come down to %+.1f dB rear over front at %.4g Hz, no further: such rigs have no null to be held to; write down a limit, or set the array up in another way",
			r.AtTargetDB.High, r.TargetHz)
	}
	fill(&site.Limits.NullOffsetHz, own.NullOffsetHz)
	fill(&site.Limits.SumShortfallDB, own.SumShortfallDB)
	return site, nil
}
