package model

import (
	"slices"

	"gonum.org/v1/gonum/mat"
)

// linear is the curvature a and the slope b of the loss: the step a·x = b, in
// standard deviations of each active quantity, is Gauss and Newton's. Each take
// touches few quantities, so a is added up take by take.
func (f *fit) linear() (*mat.SymDense, *mat.VecDense) {
	n := len(f.active)
	a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	full, slope := a.RawSymmetric().Data, b.RawVector().Data
	for i, p := range f.active {
		full[i*n+i] = 1
		slope[i] = (f.centre[p] - f.theta[p]) / f.r.Sigma[p]
	}
	d := make([]complex128, n+1) // the last takes what is held
	for i := range f.takes {
		t := &f.takes[i]
		touched := f.touched(t)
		for j, h := range t.h {
			clear(d)
			rest := h - f.derivatives(t, j, d)
			scale := f.scale[i][j]
			for x, at := range touched {
				v := d[at] * complex(scale*f.r.Sigma[f.active[at]], 0)
				re, im := real(v), imag(v)
				slope[at] += re*real(rest) + im*imag(rest)
				row := full[at*n : at*n+n]
				for _, to := range touched[x:] {
					row[to] += (re*real(d[to]) + im*imag(d[to])) * f.r.Sigma[f.active[to]]
				}
			}
		}
	}
	return a, b
}

// touched lists the places in active of what a take depends on, ascending.
func (f *fit) touched(t *take) []int {
	m, mic := f.m, f.place(t)
	at := m.channel(t.mic)
	all := []int{m.MicrophoneX(mic), m.MicrophoneY(mic), at, at + 1, at + 2, m.Warmer()}
	for s, k := range f.r.Feeds {
		if t.open[k] {
			all = append(all, m.SourceX(s), m.SourceY(s), m.SourceLevel(s), m.Delay(k), m.Level(k))
		}
	}
	for n := range Degrees {
		all = append(all, m.CommonLevel(n), m.CommonPhase(n))
	}
	if t.everything {
		all = append(all, m.Limiter())
	}
	for i, p := range all {
		all[i] = f.index[p]
	}
	slices.Sort(all)
	all = slices.Compact(all)
	if len(all) > 0 && all[len(all)-1] == len(f.active) {
		all = all[:len(all)-1]
	}
	return all
}

// derivatives fills d, by place in active, and is the value itself.
func (f *fit) derivatives(t *take, i int, d []complex128) complex128 {
	m, mic := f.m, f.place(t)
	through := f.channel[t.mic][i] * f.held(t)
	turn := complex(0, -m.omega[i]) // of a delay
	var sum complex128
	for s, k := range f.r.Feeds {
		if !t.open[k] {
			continue
		}
		v := through * f.sound[s][mic][i]
		sum += v
		local := f.near[s][mic]
		for c, p := range m.at(s, mic) {
			d[f.index[p]] += v * local.slope[c][i]
		}
		d[f.index[m.SourceLevel(s)]] += v / neper
		d[f.index[m.Level(k)]] += v / neper
		d[f.index[m.Delay(k)]] += v * turn
	}
	at := m.channel(t.mic)
	d[f.index[at]] += sum
	d[f.index[at+1]] += sum * 1i
	d[f.index[at+2]] += sum * turn
	for n := range Degrees {
		d[f.index[m.CommonLevel(n)]] += sum * complex(m.basis[n][i]/neper, 0)
		d[f.index[m.CommonPhase(n)]] += sum * complex(0, m.basis[n][i])
	}
	if t.everything {
		d[f.index[m.Limiter()]] -= sum / neper
	}
	return sum
}
