package wire

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control/osc"
	"hushback/engine"
)

// What is counted is what a net with known losses carried.
func TestTrafficIsCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNet()
		questions, writes, lost := 0, 0, map[string]int{"/out/1/gain": 2}
		n.copies = func(way string, m osc.Message) []time.Duration {
			switch {
			case way == back:
			case len(m.Args) > 0:
				writes++
			default:
				if questions++; lost[m.Address] > 0 {
					lost[m.Address]--
					return nil
				}
			}
			return []time.Duration{0}
		}
		w := over(t, kind(), n)
		if got := w.Traffic()[0]; got != (Traffic{}) {
			t.Errorf("before anything was asked: %+v", got)
		}
		time.Sleep(time.Second)
		_, err := w.Read(t.Context())
		must(t, err)
		got := w.Traffic()[0]
		if got.Questions != questions || got.Questions != 18 || got.Unanswered != 2 || got.Repeats != 2 || got.Writes != 0 || got.Mismatches != 0 {
			t.Errorf("after a read of 16 values, 2 questions lost (%d seen): %+v", questions, got)
		}
		if !got.Answered.Equal(time.Now()) || !got.Asked.Equal(got.Answered) {
			t.Errorf("asked %v, answered %v, now %v", got.Asked, got.Answered, time.Now())
		}

		// An output that does not take a write: one mismatch each time it is read back.
		n.answer = func(m osc.Message) (osc.Message, bool) {
			return osc.Message{Address: m.Address, Args: []any{-3.0}}, strings.HasSuffix(m.Address, "2/gain")
		}
		to := []engine.Setting{{Output: 2, Polarity: 1, GainDB: -10}}
		steps, err := w.Way(PartSend, to, to)
		must(t, err)
		before := writes
		if _, doubts := w.Carry(t.Context(), steps, GiveUp, nobody); doubts[2] == nil {
			t.Error("a gain that is not taken leaves no doubt")
		}
		got = w.Traffic()[0]
		if got.Mismatches != 3 || got.Repeats != 2+2 || got.Writes != writes || writes == before {
			t.Errorf("3 tries in vain, %d writes seen: %+v", writes, got)
		}
		if w.Writes() != got.Writes {
			t.Errorf("%d writes in all, %d to the only processor", w.Writes(), got.Writes)
		}
	})
}
