package wire

import (
	"sync/atomic"
	"time"
)

// Traffic is what went to one processor and came from it, counted since the start.
type Traffic struct {
	Processor  string // as the outputs call it
	Blind      bool   // it cannot be asked
	Writes     int    // handed over, repeats included
	Questions  int    // asked, repeats included
	Unanswered int    // questions whose time ran out
	Repeats    int    // questions and writes that were not the first of their kind
	Mismatches int    // read back, and not what was written
	Asked      time.Time
	Answered   time.Time // when the last answer came; zero before the first

	// Dropped and Foreign are the connection's, for whoever has it to fill in: what
	// could not be read or answered nothing, and what came from elsewhere.
	Dropped, Foreign int
}

// counts are those of one link.
type counts struct {
	questions, unanswered, repeats, mismatches atomic.Int64
	asked, answered                            atomic.Int64 // Unix nanoseconds, 0 for never
}

func (c *counts) ask() {
	c.questions.Add(1)
	c.asked.Store(time.Now().UnixNano())
}

func (c *counts) answer() { c.answered.Store(time.Now().UnixNano()) }

// Traffic counts what went over the way to each processor, in their order.
func (w *Wire) Traffic() []Traffic {
	all := make([]Traffic, len(w.links))
	for i, l := range w.links {
		all[i] = Traffic{
			Processor: l.Name, Blind: l.Profile.Blind, Writes: int(l.writes.Load()),
			Questions: int(l.questions.Load()), Unanswered: int(l.unanswered.Load()),
			Repeats: int(l.repeats.Load()), Mismatches: int(l.mismatches.Load()),
			Asked: moment(l.asked.Load()), Answered: moment(l.answered.Load()),
		}
	}
	return all
}

func moment(nanoseconds int64) time.Time {
	if nanoseconds == 0 {
		return time.Time{}
	}
	return time.Unix(0, nanoseconds)
}
