package solve

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"hushback/engine"
	"hushback/engine/field"
)

// array is the outputs of a site with exact settings, and what they do at the
// target frequency.
type array struct {
	hz       float64
	channels []channel // ascending by output
	rows     [2]row    // front, rear
}

const (
	front = 0
	rear  = 1
)

// row is what the outputs of one row share.
type row struct {
	polarity int
	maxDB    float64 // the least MaxGainDB of its outputs
	top      int     // the highest gain at or below that, in steps
	gainDB   float64 // exact
}

// channel is one output.
type channel struct {
	output      int
	row         int
	delaySec    float64
	front, rear complex128 // pressure at the microphones, at 0 dB without delay
}

// arrange measures every output on the model and delays it so that all arrive
// together at the front microphone.
func arrange(site engine.Site) (array, error) {
	a := array{hz: site.Target.NullHz}
	for i := range a.rows {
		a.rows[i] = row{polarity: 1, maxDB: math.Inf(1)}
	}
	at := [2]engine.Microphone{}
	for i, role := range []engine.Role{engine.RoleFront, engine.RoleRear} {
		mic, ok := site.Microphone(role)
		if !ok {
			return array{}, fmt.Errorf("the site has no %s microphone", role)
		}
		at[i] = mic
	}
	for _, out := range site.Outputs {
		fed := site.Fed(out.Number)
		if len(fed) == 0 {
			return array{}, fmt.Errorf("output %d feeds no source", out.Number)
		}
		ch := channel{output: out.Number}
		if fed[0].Row == engine.RowRear {
			ch.row = rear
		}
		arrival, err := ch.listen(site, at)
		if err != nil {
			return array{}, err
		}
		ch.delaySec = -arrival
		a.channels = append(a.channels, ch)
		a.rows[ch.row].maxDB = math.Min(a.rows[ch.row].maxDB, out.MaxGainDB)
	}
	return a, nil
}

// listen fills in what the output does alone and returns when it arrives in
// front.
func (ch *channel) listen(site engine.Site, at [2]engine.Microphone) (arrival float64, err error) {
	var alone engine.Sheet
	for _, number := range site.OutputNumbers() {
		alone.Settings = append(alone.Settings, engine.Setting{Output: number, Polarity: 1, Muted: number != ch.output})
	}
	if ch.front, err = field.Pressure(site, alone, at[front].At, site.Target.NullHz); err != nil {
		return 0, err
	}
	if ch.rear, err = field.Pressure(site, alone, at[rear].At, site.Target.NullHz); err != nil {
		return 0, err
	}
	return field.Arrival(site, alone, at[front])
}

// behind is what one row does at the rear microphone, at 0 dB.
func (a array) behind(row int) complex128 {
	var sum complex128
	for _, ch := range a.channels {
		if ch.row == row {
			sum += ch.rear * a.wait(ch.delaySec)
		}
	}
	return sum
}

// wait is a delay as a factor at the target frequency.
func (a array) wait(sec float64) complex128 { return cmplx.Rect(1, -2*math.Pi*a.hz*sec) }

// match sets the rows' gains so that both are equally loud behind and one is
// at the highest grid value it may have.
func (a *array) match(grid engine.Grid) error {
	ratio := cmplx.Abs(a.behind(front)) / cmplx.Abs(a.behind(rear))
	if !(ratio > 1e-6 && ratio < 1e6) { // also NaN; 120 dB apart one of them is silent
		return errors.New("one of the rows cancels itself at the rear microphone, so nothing can be matched to it")
	}
	louder := engine.DB(ratio) // how much louder the front row is, like for like
	var top [2]float64
	for i := range a.rows {
		r := &a.rows[i]
		steps := math.Floor((math.Min(r.maxDB, grid.Max)-grid.Min)/grid.Step + 1e-9)
		if steps < 0 {
			return fmt.Errorf("an output may play at %g dB at most, the processor goes down to %g dB only", r.maxDB, grid.Min)
		}
		r.top = int(steps)
		top[i] = grid.Min + steps*grid.Step
	}
	a.rows[front].gainDB = math.Min(top[front], top[rear]-louder)
	a.rows[rear].gainDB = math.Min(top[rear], top[front]+louder)
	for _, r := range a.rows {
		if r.gainDB < grid.Min {
			return fmt.Errorf("matching the rows behind needs a gain of %.1f dB, the processor goes down to %g dB", r.gainDB, grid.Min)
		}
	}
	return nil
}

// candidates are two copies of the array, the rear row of normal and of
// reversed polarity, each with the delay between the rows that cancels behind
// and is nearest to all outputs arriving together in front.
func (a array) candidates() []array {
	var found []array
	for _, polarity := range []int{1, -1} {
		c := a
		c.rows[rear].polarity = polarity
		c.channels = slices.Clone(a.channels)
		opposite := -a.behind(front) * complex(float64(polarity), 0) / a.behind(rear)
		late := -cmplx.Phase(opposite) / (2 * math.Pi * a.hz)
		for i := range c.channels {
			if c.channels[i].row == rear {
				c.channels[i].delaySec += late
			}
		}
		found = append(found, c)
	}
	return found
}

// span is the longest delay less the shortest.
func (a array) span() float64 {
	least, most := a.extremes()
	return most - least
}

func (a array) extremes() (least, most float64) {
	least, most = math.Inf(1), math.Inf(-1)
	for _, ch := range a.channels {
		least, most = math.Min(least, ch.delaySec), math.Max(most, ch.delaySec)
	}
	return least, most
}

// sheet is the exact settings, the least delay being 0.
func (a array) sheet() engine.Sheet {
	least, _ := a.extremes()
	settings := make([]engine.Setting, len(a.channels))
	for i, ch := range a.channels {
		settings[i] = engine.Setting{
			Output:   ch.output,
			DelaySec: ch.delaySec - least,
			Polarity: a.rows[ch.row].polarity,
			GainDB:   a.rows[ch.row].gainDB,
		}
	}
	return engine.Sheet{Settings: settings}
}
