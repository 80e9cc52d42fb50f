package feed

import (
	"fmt"
	"math"
	"sync"
	"time"

	"gonum.org/v1/gonum/stat"

	"hushback/verify/feed/protocol"
)

const (
	// tickEvery is the mean time between two looks at an agent's count.
	tickEvery = time.Second
	// slowestAnswer is the most that the answer to a tick may take to tell anything.
	slowestAnswer = 100 * time.Millisecond
	// Ticks that a drift is worked out of, at least and at most.
	leastTicks = 10
	mostTicks  = 600
	// grainSec is how far a count may be off at a time without being wrong: a
	// recorder hands its samples over in blocks. As a standard deviation.
	grainSec = 0.03
	// lagSec is how far the samples that arrive may be from the one being taken:
	// what a keeper keeps, and a little.
	lagSec = protocol.KeepSec + 3

	// maxDriftPPM is the most that an agent's clock may be off ours, in samples
	// per million. A period of the test signal that is played by one clock and
	// recorded by another is not quite whole, so that each sine leaks into the lines
	// beside it. Reference and microphone share the recorder's clock: what leaks
	// matters only where the rig's response differs between those lines, as it does
	// in a null. 500 ppm measure one 20 dB deep up to 0.7 dB wrongly and one 30 dB
	// deep up to 2 dB, 100 ppm up to 0.2 and 0.5 dB (see the test). Quartz is within
	// 100 ppm, and a computer whose clock is just being set right goes up to 500 ppm
	// wrong itself (both from memory), so less than that is no reason to send anybody
	// away.
	maxDriftPPM = 500
	// wrongRatePPM is where it can only be another rate.
	wrongRatePPM = 20000
	// sureDeviations is how many standard deviations a drift must be beyond the
	// limit before an agent is sent away.
	sureDeviations = 5
)

// clock compares the pace of an agent's count with ours.
type clock struct {
	rate     int
	leastSec float64 // between the first tick and the last that a drift is worked out of

	mu      sync.Mutex
	began   time.Time
	first   uint64
	sec     []float64 // on our clock, since began
	samples []float64 // since first
}

// tick notes that an agent was taking a sample at a time. The error says that it
// certainly counts at another pace than declared.
func (c *clock) tick(at time.Time, sample uint64) error {
	c.mu.Lock()
	if len(c.sec) == 0 {
		c.began, c.first = at, sample
	}
	c.sec = append(c.sec, at.Sub(c.began).Seconds())
	c.samples = append(c.samples, float64(int64(sample-c.first)))
	over := max(0, len(c.sec)-mostTicks)
	c.sec, c.samples = c.sec[over:], c.samples[over:]
	c.mu.Unlock()
	ppm, sigma, ok := c.drift()
	if !ok || math.Abs(ppm)-sureDeviations*sigma <= maxDriftPPM {
		return nil
	}
	if math.Abs(ppm) > wrongRatePPM {
		return fmt.Errorf("rate: it takes %.0f samples a second, and declared %d", float64(c.rate)*(1+ppm/1e6), c.rate)
	}
	return fmt.Errorf("clock: it drifts by %+.0f samples in a million against ours, want at most %d; its converter's clock is bad, or its recorder loses samples", ppm, maxDriftPPM)
}

// drift is by how much more samples come than declared, in parts per million,
// with its standard deviation: least squares through the ticks, whose scatter
// about the line is at least grainSec. ok says that there are enough.
func (c *clock) drift() (ppm, sigma float64, ok bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := len(c.sec)
	if n < leastTicks || c.sec[n-1]-c.sec[0] < c.leastSec {
		return 0, 0, false
	}
	offset, slope := stat.LinearRegression(c.sec, c.samples, nil, false)
	mean := stat.Mean(c.sec, nil)
	var square, spread float64
	for i, t := range c.sec {
		off := c.samples[i] - offset - slope*t
		square += off * off
		spread += (t - mean) * (t - mean)
	}
	scatter := math.Max(grainSec, math.Sqrt(square/float64(n-2))/float64(c.rate)) // seconds
	return 1e6 * (slope/float64(c.rate) - 1), 1e6 * scatter / math.Sqrt(spread), true
}
