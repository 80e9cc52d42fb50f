package agent

import "hushback/verify/feed/protocol"

// backlog is what the daemon may not have yet.
type backlog struct {
	most  int              // samples that are kept
	parts []protocol.Frame // ascending
	kept  int              // samples in parts
	next  uint64           // index of the next sample to be given
}

// give appends the next samples. What there is no room for any more goes, the
// oldest first: so many.
func (b *backlog) give(samples []float32) (lost uint64) {
	f := protocol.Frame{First: b.next, Samples: samples}
	b.next = f.End()
	b.parts = append(b.parts, f)
	b.kept += f.Count()
	for b.kept > b.most {
		oldest := b.parts[0]
		over := min(b.kept-b.most, oldest.Count())
		lost += uint64(over)
		b.taken(oldest.First + uint64(over))
	}
	return lost
}

// taken lets go of all before next, and reports whether there was any.
func (b *backlog) taken(next uint64) (any bool) {
	for len(b.parts) > 0 && b.parts[0].First < next {
		before := b.parts[0].Count()
		b.parts[0] = b.parts[0].From(next)
		b.kept -= before - b.parts[0].Count()
		if any = true; b.parts[0].Count() == 0 {
			b.parts = b.parts[1:]
		}
	}
	return any
}

// after is the first kept samples that do not lie before at, so many at most;
// none if there are none.
func (b *backlog) after(at uint64, most int) protocol.Frame {
	for _, f := range b.parts {
		if f.End() > at {
			f = f.From(at)
			f.Samples = f.Samples[:min(len(f.Samples), most*protocol.Channels)]
			return f
		}
	}
	return protocol.Frame{}
}
