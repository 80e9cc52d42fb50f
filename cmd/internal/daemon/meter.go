package daemon

import (
	"math"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/engine"
	"hushback/verify/feed"
	"hushback/verify/transfer"
)

// watchedSec is how much audio the page's live numbers are of, in seconds.
const watchedSec = 3

// silentDB is the level of the reference, dB re full scale, below which nothing is
// being played to the rig: what a microphone hears then is noise.
const silentDB = -80

// meter shows once a second what the microphones hear. How good it is is worked out
// for one of them each second, in turn: of seconds that overlap it says little new,
// and a daemon that nobody wants anything of should take next to nothing.
func (d *Daemon) meter() {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	floor := map[string]float64{} // dB re full scale, by feed
	for turn := 0; ; turn++ {
		select {
		case <-d.work.Done():
			return
		case <-tick.C:
			shown, feeds := d.View().Feeds, d.feeds()
			for i := range feeds {
				if f := &feeds[i]; i == turn%len(feeds) || len(shown) == 0 {
					d.judgeFeed(f, floor)
				} else {
					f.Coherence, f.OverNoiseDB, f.FloorDB = stillGood(*f, shown[i])
				}
			}
			d.change(func(v *desk.View) { v.Feeds = feeds })
		}
	}
}

// stillGood is how good what a microphone sends was when it was judged last.
func stillGood(f, last desk.Feed) (coherence, overNoiseDB, floorDB float64) {
	if !f.Connected || f.Functions {
		return math.NaN(), math.NaN(), math.NaN()
	}
	return last.Coherence, last.OverNoiseDB, last.FloorDB
}

// judgeFeed says how good what a microphone sends is just now.
func (d *Daemon) judgeFeed(f *desk.Feed, floor map[string]float64) {
	f.Coherence, f.OverNoiseDB, f.FloorDB = math.NaN(), math.NaN(), math.NaN()
	if !f.Connected || f.Functions {
		return
	}
	name, site := f.Microphone, d.View().Site
	if f.Moved {
		name = Moved
	}
	switch played, sec := d.hub.Played(name, watchedSec); {
	case sec < 1: // since it came, or since a gap
		return
	case played < silentDB:
		floor[name] = f.LevelDB
	default:
		f.OverNoiseDB, f.Coherence = quality(d.hub.Recent(name, watchedSec), site)
	}
	if level, known := floor[name]; known {
		f.FloorDB = level
	}
}

// quality is the signal over the noise of one average over the operating range, in dB,
// and the mean coherence there; NaN where there is too little audio to tell.
func quality(heard feed.Recording, site engine.Site) (overNoiseDB, coherence float64) {
	f, err := transfer.OfSignal(site.TestSignal, heard.Reference, heard.Microphone, heard.Rate)
	if err != nil {
		return math.NaN(), math.NaN()
	}
	return f.Quality(site.Target.Range)
}

// feeds are the site's microphones; the moved one stands in for those that have
// no feed of their own.
func (d *Daemon) feeds() []desk.Feed {
	moved := d.hub.Feed(Moved)
	var feeds []desk.Feed
	for _, m := range d.View().Site.Microphones {
		s := d.hub.Feed(m.Name)
		f := desk.Feed{Microphone: m.Name, Role: m.Role, Moved: !s.Connected && moved.Connected}
		if f.Moved {
			s = moved
		}
		f.Connected, f.Functions, f.LevelDB, f.Rate, f.Trouble = s.Connected, s.Functions, s.LevelDB, s.Rate, s.Trouble
		f.Clipped, f.Gaps = s.Clipped, s.Gaps
		if src, ok := d.sources[m.Name]; ok {
			st := src.Status()
			f = desk.Feed{Microphone: m.Name, Role: m.Role, Connected: st.Connected, Functions: true, LevelDB: math.NaN(), Trouble: st.Trouble}
		}
		feeds = append(feeds, f)
	}
	return feeds
}
