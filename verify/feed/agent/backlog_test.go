package agent

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// A backlog is the list of the samples that are kept, in whatever parts they came
// and went.
func TestBacklogIsAList(t *testing.T) {
	const seed = 1
	random := rand.New(rand.NewPCG(seed, 10))
	b := &backlog{most: 500}
	var list []uint64 // the indices that must be there
	next, acked := uint64(0), uint64(0)
	for step := range 20000 {
		switch random.IntN(4) {
		case 0, 1:
			n := 1 + random.IntN(120)
			var samples []float32
			for range n {
				list = append(list, next)
				samples = append(samples, float32(next), -float32(next))
				next++
			}
			over := max(0, len(list)-500)
			list = list[over:]
			if lost := b.give(samples); lost != uint64(over) {
				t.Fatalf("seed %d, step %d: lost %d, want %d", seed, step, lost, over)
			}
		case 2:
			skip := uint64(random.IntN(3))
			b.next, next = b.next+skip, next+skip
		default:
			acked = max(acked, min(next, acked+uint64(random.IntN(200))))
			had := len(list)
			list = slices.DeleteFunc(list, func(i uint64) bool { return i < acked })
			if news := b.taken(acked); news != (len(list) < had) {
				t.Fatalf("seed %d, step %d: news %t", seed, step, news)
			}
		}
		if b.kept != len(list) || b.next != next {
			t.Fatalf("seed %d, step %d: %d kept up to %d, want %d up to %d", seed, step, b.kept, b.next, len(list), next)
		}
		if step%10 > 0 {
			continue
		}
		at := acked + uint64(random.IntN(100))
		var got []uint64
		for f := b.after(at, 50); f.Count() > 0; f = b.after(f.End(), 50) {
			if f.Count() > 50 {
				t.Fatalf("a frame of %d", f.Count())
			}
			for i := range f.Count() {
				if f.Samples[2*i] != float32(f.First+uint64(i)) {
					t.Fatalf("seed %d, step %d: sample %d is %v", seed, step, f.First+uint64(i), f.Samples[2*i])
				}
				got = append(got, f.First+uint64(i))
			}
		}
		want := slices.DeleteFunc(slices.Clone(list), func(i uint64) bool { return i < at })
		if !slices.Equal(got, want) {
			t.Fatalf("seed %d, step %d: from %d on %v, want %v", seed, step, at, got, want)
		}
	}
}
