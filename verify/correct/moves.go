package correct

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
	"hushback/engine/air"
)

// Move is a place where an output's cabinets would do better than any delay.
type Move struct {
	Output   int
	AlongM   float64 // towards the audience
	BetterDB float64 // by how much the mean over the range gains over the correction
	Sentence string
}

// What is worth a walk to the cabinets. Our own figures, no published source.
const (
	worthM  = 0.1
	worthDB = 1
)

// moves looks for outputs that are late at one microphone and early at the other:
// a delay moves both the same way, a place does not. Half the difference is how
// far off the cabinets stand along the axis, against most others. Each is carried
// back, by the way that its sound then has to go, and the rig is corrected anew.
func (m rig) moves(ctx context.Context, r engine.Ranges, now Correction) ([]Move, error) {
	speed, _ := air.SoundSpeed(m.site.Air)
	front, errFront := m.errors(engine.RoleFront)
	rear, errRear := m.errors(engine.RoleRear)
	if err := errors.Join(errFront, errRear); err != nil {
		return nil, err
	}
	toGo := make([]float64, len(m.outputs)) // towards the audience
	for k := range toGo {
		toGo[k] = speed * (front[k].lateSec - rear[k].lateSec) / 2
	}
	usual := middle(toGo)
	var better []Move
	for k, o := range m.outputs {
		along := toGo[k] - usual
		if math.Abs(along) < worthM || ctx.Err() != nil {
			continue
		}
		moved := m
		moved.outputs = slices.Clone(m.outputs)
		moved.outputs[k].front = m.carried(o.front, o.Number, engine.RoleFront, along, speed)
		moved.outputs[k].rear = m.carried(o.rear, o.Number, engine.RoleRear, along, speed)
		then, err := moved.settle(ctx, r)
		if err != nil {
			continue // nowhere to walk to
		}
		if gain := then.Mean - now.Mean; gain >= worthDB {
			v := Move{Output: o.Number, AlongM: along, BetterDB: gain}
			v.Sentence = v.words(o.Label)
			better = append(better, v)
		}
	}
	slices.SortStableFunc(better, func(a, b Move) int { return cmp.Compare(b.BetterDB, a.BetterDB) })
	return better, nil
}

func (v Move) words(label string) string {
	way := "towards the audience"
	if v.AlongM < 0 {
		way = "away from the audience"
	}
	return fmt.Sprintf("moving what output %d (%s) feeds %.1f m %s would do %.1f dB better over the range than any delay",
		v.Output, label, math.Abs(v.AlongM), way, v.BetterDB)
}

// carried is a response once its sources are further along, by the middle of them.
func (m rig) carried(of []complex128, output int, role engine.Role, along, speed float64) []complex128 {
	mic, _ := m.site.Microphone(role)
	var was, is float64
	fed := m.site.Fed(output)
	for _, s := range fed {
		was += s.At.Distance(mic.At) / float64(len(fed))
		is += engine.Point{X: s.At.X + along, Y: s.At.Y, Z: s.At.Z}.Distance(mic.At) / float64(len(fed))
	}
	out := make([]complex128, len(of))
	for i, h := range of {
		out[i] = h * cmplx.Rect(was/is, -2*math.Pi*m.freq[i]*(is-was)/speed)
	}
	return out
}
