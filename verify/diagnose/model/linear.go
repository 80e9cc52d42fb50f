package model

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
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
		part := f.scratch.of(2*len(t.h), len(touched))
		for j, h := range t.h {
			clear(d)
			rest := h - f.derivatives(t, j, d)
			root := math.Sqrt(f.scale[i][j])
			re, im := part.rows(j)
			for x, at := range touched {
				v := d[at] * complex(root*f.r.Sigma[f.active[at]], 0)
				re[x], im[x] = real(v), imag(v)
			}
			part.rest.Data[2*j], part.rest.Data[2*j+1] = real(rest)*root, imag(rest)*root
		}
		part.square()
		for x, at := range touched {
			slope[at] += part.b.Data[x]
			for y, to := range touched[x:] {
				full[at*n+to] += part.a.Data[x*part.a.Stride+x+y]
			}
		}
	}
	return a, b
}

// part is one take's share of a and b: of the Jacobian j, a row for each real
// number captured, a is jᵀj and b is jᵀ·rest.
type part struct {
	memory  []float64
	j       blas64.General
	a       blas64.Symmetric
	b, rest blas64.Vector
}

// of readies the part for so many values and quantities.
func (p *part) of(values, n int) *part {
	if need := values*n + n*n + n + values; len(p.memory) < need {
		p.memory = make([]float64, need)
	}
	all := p.memory
	cut := func(size int) (piece []float64) {
		piece, all = all[:size], all[size:]
		return piece
	}
	p.j = blas64.General{Rows: values, Cols: n, Stride: n, Data: cut(values * n)}
	p.a = blas64.Symmetric{N: n, Stride: n, Uplo: blas.Upper, Data: cut(n * n)}
	p.b, p.rest = blas64.Vector{N: n, Inc: 1, Data: cut(n)}, blas64.Vector{N: values, Inc: 1, Data: cut(values)}
	return p
}

// rows are the real and the imaginary part of a line.
func (p *part) rows(line int) (re, im []float64) {
	n := p.j.Cols
	return p.j.Data[2*line*n : (2*line+1)*n], p.j.Data[(2*line+1)*n : (2*line+2)*n]
}

func (p *part) square() {
	blas64.Syrk(blas.Trans, 1, p.j, 0, p.a)
	blas64.Gemv(blas.Trans, 1, p.j, p.rest, 0, p.b)
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

// solve is the step, the damping of its curvature included, and the logarithm
// of the curvature's determinant.
func solve(a *mat.SymDense, b *mat.VecDense, damping float64) (step []float64, logDet float64, ok bool) {
	n := a.SymmetricDim()
	c := mat.NewSymDense(n, nil)
	c.CopySym(a)
	for i := range n {
		c.SetSym(i, i, a.At(i, i)*(1+damping))
	}
	root, ok := lapack64.Potrf(c.RawSymmetric())
	if !ok {
		return nil, 0, false
	}
	step = slices.Clone(b.RawVector().Data)
	lapack64.Potrs(root, blas64.General{Rows: n, Cols: 1, Stride: 1, Data: step})
	for i := range n {
		logDet += 2 * math.Log(root.Data[i*root.Stride+i])
	}
	return step, logDet, true
}
