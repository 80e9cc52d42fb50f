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

// array is outputs with exact settings, and what they do at the target
// frequency.
type array struct {
	hz         float64
	treatments []engine.Treatment // of the parts that the channels belong to
	channels   []channel          // ascending by output

	// What the outputs of a row do before they are delayed: when they arrive in
	// front, in the mean over all of them and over those as placed. A row
	// without any is missing.
	arrives, placed map[int]float64
}

// The rows of a part.
const (
	front = 0
	rear  = 1
)

// channel is one output.
type channel struct {
	output, part, row int
	asPlaced          bool
	bendSec           float64
	maxDB             float64 // the loudest it may play
	top               int     // the highest gain at or below that that its row can have, in steps
	delaySec, gainDB  float64 // exact
	polarity          int
	front, rear       complex128 // pressure at the microphones, at 0 dB without delay
}

// arrange measures every output on the model and delays it so that within
// their row those as placed keep their bend and the others arrive together at
// the front microphone, when those do in the mean.
func arrange(site engine.Site) (array, error) {
	ahead, err := microphone(site, engine.RoleFront)
	if err != nil {
		return array{}, err
	}
	behind, err := microphone(site, engine.RoleRear)
	if err != nil {
		return array{}, err
	}
	a := array{hz: site.Target.NullHz, treatments: []engine.Treatment{engine.TreatNull}, arrives: map[int]float64{}, placed: map[int]float64{}}
	for _, out := range site.Outputs {
		fed := site.Fed(out.Number)
		if len(fed) == 0 {
			return array{}, fmt.Errorf("output %d feeds no source", out.Number)
		}
		ch := channel{output: out.Number, asPlaced: out.AsPlaced, bendSec: out.BendSec, maxDB: out.MaxGainDB, polarity: 1}
		if fed[0].Row == engine.RowRear {
			ch.row = rear
		}
		alone := only(site, []channel{ch})
		if ch.front, err = field.Pressure(site, alone, ahead.At, a.hz); err != nil {
			return array{}, err
		}
		if ch.rear, err = field.Pressure(site, alone, behind.At, a.hz); err != nil {
			return array{}, err
		}
		a.channels = append(a.channels, ch)
	}
	err = a.align(site, ahead)
	return a, err
}

func microphone(site engine.Site, role engine.Role) (engine.Microphone, error) {
	mic, ok := site.Microphone(role)
	if !ok {
		return mic, fmt.Errorf("the site has no %s microphone", role)
	}
	return mic, nil
}

// only is a sheet on which nothing but some channels plays, as they are set.
func only(site engine.Site, open []channel) engine.Sheet {
	var sheet engine.Sheet
	for _, number := range site.OutputNumbers() {
		set := engine.Setting{Output: number, Polarity: 1, Muted: true}
		if i := slices.IndexFunc(open, func(ch channel) bool { return ch.output == number }); i >= 0 {
			set.DelaySec, set.GainDB, set.Muted = open[i].delaySec, open[i].gainDB, false
		}
		sheet.Settings = append(sheet.Settings, set)
	}
	return sheet
}

// arrival is when the direct sound of some channels arrives at a microphone, in
// the mean. Echoes are left out: rows that are timed by them no longer meet.
func arrival(site engine.Site, open []channel, mic engine.Microphone) (float64, error) {
	site.Ground, site.Walls = 0, nil
	return field.Arrival(site, only(site, open), mic)
}

// keep lists the channels that a test holds for.
func (a array) keep(wanted func(channel) bool) []channel {
	var kept []channel
	for _, ch := range a.channels {
		if wanted(ch) {
			kept = append(kept, ch)
		}
	}
	return kept
}

// align sets the delays within the rows.
func (a *array) align(site engine.Site, ahead engine.Microphone) (err error) {
	for i := range a.channels {
		a.channels[i].delaySec = a.channels[i].bendSec
	}
	for _, row := range []int{front, rear} {
		all := a.keep(func(ch channel) bool { return ch.row == row })
		if len(all) > 0 {
			if a.arrives[row], err = arrival(site, all, ahead); err != nil {
				return err
			}
		}
		placed := a.keep(func(ch channel) bool { return ch.row == row && ch.asPlaced })
		if len(placed) > 0 {
			if a.placed[row], err = arrival(site, placed, ahead); err != nil {
				return err
			}
		}
	}
	for i := range a.channels {
		ch := &a.channels[i]
		at := a.placed[ch.row]
		if !ch.asPlaced {
			if at, err = arrival(site, []channel{*ch}, ahead); err != nil {
				return err
			}
		}
		ch.delaySec -= at
	}
	return nil
}

// leads is the row that the others are timed against: the front row, if there
// is one.
func (a array) leads() int {
	if _, ok := a.arrives[front]; ok {
		return front
	}
	return rear
}

// shift makes a row later.
func (a *array) shift(row int, sec float64) {
	for i := range a.channels {
		if a.channels[i].row == row {
			a.channels[i].delaySec += sec
		}
	}
}

// turn gives a row a polarity.
func (a *array) turn(row, polarity int) {
	for i := range a.channels {
		if a.channels[i].row == row {
			a.channels[i].polarity = polarity
		}
	}
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
	var steps [2]int
	var top, gain [2]float64
	for row := range steps {
		least := math.Inf(1)
		for _, ch := range a.channels {
			if ch.row == row {
				least = math.Min(least, ch.maxDB)
			}
		}
		var err error
		if steps[row], err = highest(least, grid); err != nil {
			return err
		}
		top[row] = grid.Min + float64(steps[row])*grid.Step
	}
	gain[front] = math.Min(top[front], top[rear]-louder)
	gain[rear] = math.Min(top[rear], top[front]+louder)
	for _, g := range gain {
		if g < grid.Min {
			return fmt.Errorf("matching the rows behind needs a gain of %.1f dB, the processor goes down to %g dB", g, grid.Min)
		}
	}
	for i := range a.channels {
		ch := &a.channels[i]
		ch.top, ch.gainDB = steps[ch.row], gain[ch.row]
	}
	return nil
}

// loudest sets every output as loud as it may play.
func (a *array) loudest(grid engine.Grid) (err error) {
	for i := range a.channels {
		ch := &a.channels[i]
		if ch.top, err = highest(ch.maxDB, grid); err != nil {
			return err
		}
		ch.gainDB = grid.Min + float64(ch.top)*grid.Step
	}
	return nil
}

// highest is the highest gain at or below maxDB, in steps.
func highest(maxDB float64, grid engine.Grid) (int, error) {
	part, ok := grid.UpTo(maxDB)
	if !ok {
		return 0, fmt.Errorf("an output may play at %g dB at most, the processor goes down to %g dB only", maxDB, grid.Min)
	}
	return int(math.Round((part.Max - part.Min) / part.Step)), nil
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
		settings[i] = engine.Setting{Output: ch.output, DelaySec: ch.delaySec - least, Polarity: ch.polarity, GainDB: ch.gainDB}
	}
	return engine.Sheet{Settings: settings}
}
