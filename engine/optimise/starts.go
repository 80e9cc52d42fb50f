package optimise

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"hushback/engine/optimise/forms"
)

// Polarities of up to everyPolarity outputs are all tried as starts, the last
// one's kept, since reversing everything changes nothing. The amplitude's sign
// may still change on the way down: a start is where a search begins, not where
// it must stay. Of more outputs some are drawn.
const (
	everyPolarity = 8
	drawn         = 64
)

// starts begin at all outputs arriving together in front and reverse some of
// them, half a period early or late, so that they still help in front in the
// middle of the frequencies and no longer do elsewhere.
func (h *hunt) starts() []dials {
	n := h.outputs()
	patterns := 1
	if n <= everyPolarity {
		patterns = 1 << (n - 1)
	}
	list := []dials{h.aligned.clone()}
	for k := range max(drawn, patterns) {
		rng := rand.New(rand.NewPCG(seed, uint64(1<<32+k)))
		d := h.aligned.clone()
		if n <= everyPolarity {
			for i := range n {
				if k>>i&1 == 1 {
					h.reverse(d, []int{i}, rng.IntN(3)-1)
				}
			}
		} else {
			for range 1 + rng.IntN(2) {
				h.reverse(d, h.part(rng), rng.IntN(3)-1)
			}
		}
		h.shake(d, []float64{0.1, 0.3, 0.6}[rng.IntN(3)], rng)
		list = append(list, h.fit(d))
	}
	return list
}

// reverse turns outputs over and delays them by some half periods of the
// middle frequency.
func (h *hunt) reverse(d dials, outputs []int, halves int) {
	for _, i := range outputs {
		d.amplitude[i] *= -1
		d.delay[i] += float64(halves) * math.Pi / h.middle
	}
}

// shake moves all delays a little, by radians of the middle frequency.
func (h *hunt) shake(d dials, radians float64, rng *rand.Rand) {
	for i := range d.delay {
		d.delay[i] += radians / h.middle * rng.NormFloat64()
	}
}

// jump moves some outputs somewhere else; other is another line, to learn from.
func (h *hunt) jump(d, other dials, rng *rand.Rand) dials {
	d = d.clone()
	n := h.outputs()
	some := rng.Perm(n)
	if rng.IntN(2) == 0 {
		some, _ = h.order(rng)
	}
	some = some[:1+rng.IntN(min(4, n))]
	if n > 4 && rng.IntN(5) == 0 {
		some = h.part(rng)
	}
	switch rng.IntN(5) {
	case 0:
		h.reverse(d, some, rng.IntN(3)-1)
	case 1:
		for _, i := range some {
			d.delay[i] = h.aligned.delay[i] + 2/h.middle*rng.NormFloat64()
			d.amplitude[i] = 2*rng.Float64() - 1
		}
	case 2:
		for _, i := range some {
			d.delay[i] += 0.7 / h.middle * rng.NormFloat64()
		}
	case 3: // change places, as seen from in front
		for _, i := range some {
			j := rng.IntN(n)
			late := h.aligned.delay[i] - h.aligned.delay[j]
			d.delay[i], d.delay[j] = d.delay[j]+late, d.delay[i]-late
			d.amplitude[i], d.amplitude[j] = d.amplitude[j], d.amplitude[i]
		}
	default:
		for _, i := range some {
			d.delay[i], d.amplitude[i] = other.delay[i], other.amplitude[i]
		}
	}
	return h.fit(d)
}

// order sorts the outputs along some direction through the array: by a mix of
// arrival times that is drawn, so that neighbours in it are mostly neighbours
// on the ground. key is that mix, by output.
func (h *hunt) order(rng *rand.Rand) (order []int, key []float64) {
	a, b := h.seen[rng.IntN(len(h.seen))], h.seen[rng.IntN(len(h.seen))]
	x, y := rng.NormFloat64(), rng.NormFloat64()
	for i := range h.outputs() {
		order, key = append(order, i), append(key, x*a[i]+y*b[i])
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(key[i], key[j]) })
	return order, key
}

// part is the outputs on one side of a gap along some direction; the wider the
// gap, the likelier.
func (h *hunt) part(rng *rand.Rand) []int {
	order, key := h.order(rng)
	var sum float64
	gaps := make([]float64, len(order)-1)
	for k := range gaps {
		gap := key[order[k+1]] - key[order[k]]
		sum += gap * gap
		gaps[k] = sum
	}
	at := sum * rng.Float64()
	k := 0
	for k < len(gaps)-1 && gaps[k] < at {
		k++
	}
	return order[:k+1]
}

// arrivals lists when each output arrives in front and at some of the quiet
// points, spread over their list.
func (t *task) arrivals() [][]float64 {
	const most = 8
	list := [][]float64{forms.Arrivals(t.Front, t.FreqHz)}
	points := len(t.Quiet[0])
	for k := range min(most, points) {
		rows := make([][]complex128, len(t.Quiet))
		for f := range rows {
			rows[f] = t.Quiet[f][(2*k+1)*points/(2*min(most, points))]
		}
		list = append(list, forms.Arrivals(rows, t.FreqHz))
	}
	return list
}

// aligned is everything at full gain arriving together in front.
func (t *task) aligned() dials {
	d := dials{delay: forms.Arrivals(t.Front, t.FreqHz), amplitude: make([]float64, t.outputs())}
	for i := range d.delay {
		d.delay[i], d.amplitude[i] = -d.delay[i], 1
	}
	return t.fit(d)
}

// fit moves all delays by the same time into the middle of what the outputs
// can be set to.
func (t *task) fit(d dials) dials {
	low, high := math.Inf(-1), math.Inf(1)
	for i, out := range t.Outputs {
		low = math.Max(low, out.DelaySec.Min-d.delay[i])
		high = math.Min(high, out.DelaySec.Max-d.delay[i])
	}
	for i := range d.delay {
		d.delay[i] += (low + high) / 2
	}
	return d
}
