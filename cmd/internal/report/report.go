// Package report puts a job on paper: a design with its predictions, or a change with
// what was sent, measured and decided, for the next engineer, the venue and the
// insurer. It finds what is meant (find.go), makes a document of it, and writes it
// whole or not at all (write.go), with tables for programs beside it (tables.go). What
// it says and draws is what the rest of the house says and draws.
package report

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/figures"
	"hushback/cmd/internal/printout"
	"hushback/cmd/internal/report/folio"
	"hushback/engine"
	"hushback/engine/air"
	"hushback/engine/design"
	"hushback/engine/picture"
)

// Signed is the program that makes a report, and when.
type Signed struct {
	Software string
	At       time.Time
}

// moment says a time for people anywhere.
func moment(t time.Time) string {
	if t.IsZero() {
		return "not known"
	}
	return strings.ReplaceAll(t.UTC().Format("2 Jan 2006 15:04:05 UTC"), " ", figures.Space)
}

// coded is a digest as three words, and all of it.
func coded(digest string) string { return desk.Words(digest) + " (" + digest + ")" }

// airWords says what the sound went through.
func airWords(a engine.Air) string {
	return fmt.Sprintf("%s °C, %s %% humidity, %s hPa", figures.Number(a.TemperatureC, 1), figures.Number(a.Humidity*100, 0), figures.Number(a.PressurePa/100, 0))
}

// jobFacts are what every report says of its site.
func jobFacts(site engine.Site) [][]string {
	t := site.Target
	speed, _ := air.SoundSpeed(site.Air)
	return [][]string{
		{"Target", "null behind at " + figures.Hz(t.NullHz) + ", operating range " + figures.Number(t.Range.LowHz, 0) + " to " + figures.Number(t.Range.HighHz, 0) + " Hz"},
		{"Air", airWords(site.Air) + "; sound travels " + figures.Number(speed, 1) + " m/s"},
	}
}

// facts is a table of names and what they stand for.
func facts(rows ...[]string) folio.Block { return folio.Block{Table: &folio.Table{Rows: rows}} }

// cells turns the hyphens of a table that was made for terminals into minus signs.
func cells(lines [][]string) [][]string {
	out := make([][]string, len(lines))
	for i, row := range lines {
		out[i] = make([]string, len(row))
		for k, cell := range row {
			out[i][k] = figures.Minus(cell)
		}
	}
	return out
}

// sentences are findings as a list.
func sentences(all []design.Finding) folio.Block {
	var b folio.Block
	for _, f := range all {
		b.List = append(b.List, figures.Sentence(f.Text))
	}
	return b
}

// drawn is a picture in the document's own form. One that cannot be drawn says why.
func drawn(d *picture.Drawing, err error, caption, alt string) folio.Block {
	if err != nil {
		return folio.Block{Text: figures.Sentence("there is no picture here: " + err.Error())}
	}
	return folio.Block{Picture: &folio.Picture{Caption: caption, Alt: alt, PNG: d.Untitled().PNG}}
}

// stakeOut is where everything stands, from one datum.
func stakeOut(r design.Report) folio.Section {
	s := folio.Section{Heading: "Where everything stands"}
	s.Say("All distances are from one mark, the datum: the point on the ground below the front of " + printout.DatumName(r.Site) +
		". Ahead is towards the audience, left as seen looking that way; distances are to the middle of the front face.")
	s.Tabulate("Sources, from the datum", cells(named(printout.StakeTable(r.Site), "source")), "")
	s.Tabulate("Microphones and corners of zones, on the site's own axes", places(r.Site), "x runs to the audience, y to the left, z up; the datum is at "+at(printout.Datum(r.Site))+".")
	d, err := picture.StakeOut("", r, printout.Datum(r.Site))
	s.Add(drawn(d, err, "Stake-out plan to scale, seen from above, the audience at the top. Metres from the datum; aside counts to the left, minus is to the right. Grey: rear row.",
		"Stake-out plan of the sources; the table above has every distance."))
	return s
}

// named gives the first column of a table that has no name for it one.
func named(lines [][]string, name string) [][]string {
	if len(lines) > 0 && lines[0][0] == "" {
		lines[0][0] = figures.Capital(name)
	}
	return lines
}

func at(p engine.Point) string {
	return "x " + figures.Metres(p.X) + ", y " + figures.Metres(p.Y)
}

// places lists what the site has beside its sources.
func places(site engine.Site) [][]string {
	table := [][]string{{"What", "Name", "Where"}}
	for _, m := range site.Microphones {
		table = append(table, []string{string(m.Role) + " microphone", m.Name, at(m.At) + ", z " + figures.Metres(m.At.Z)})
	}
	for _, z := range site.Zones {
		where := ""
		for i, c := range z.Corners {
			if i > 0 {
				where += "; "
			}
			where += at(c)
		}
		table = append(table, []string{string(z.Kind) + " zone", z.Name, where})
	}
	for _, w := range site.Walls {
		table = append(table, []string{"wall", w.Name, at(w.From) + " to " + at(w.To)})
	}
	return table
}

// sheetTable says the settings of every output. before is what stood there, nil where
// there is none to tell of.
func sheetTable(site engine.Site, sheet engine.Sheet, before []engine.Setting) [][]string {
	elsewhere := len(site.Further) > 0
	for _, o := range site.Outputs {
		elsewhere = elsewhere || o.OnChannel() != o.Number
	}
	table := [][]string{{"Output", "Feeds", "Delay", "Gain", "Polarity", "Mute"}}
	if elsewhere {
		table[0] = append(table[0], "Found at")
	}
	stood := engine.Sheet{Settings: before}
	for _, now := range sheet.Settings {
		o, _ := site.Output(now.Output)
		was, known := stood.Setting(now.Output)
		from := func(say func(engine.Setting) string) string {
			switch {
			case before == nil || known && say(was) == say(now):
				return say(now)
			case !known:
				return "not known → " + say(now)
			}
			return say(was) + " → " + say(now)
		}
		row := []string{
			strconv.Itoa(now.Output), o.Label,
			from(func(s engine.Setting) string { return delay(s.DelaySec) }), from(func(s engine.Setting) string { return gain(s.GainDB) }),
			from(func(s engine.Setting) string { return polarity(s.Polarity) }), from(func(s engine.Setting) string { return mute(s.Muted) }),
		}
		if elsewhere {
			row = append(row, found(site, o))
		}
		table = append(table, row)
	}
	return table
}

// found is where an output is to be found.
func found(site engine.Site, o engine.Output) string {
	where := "channel " + strconv.Itoa(o.OnChannel())
	if o.Processor != "" {
		return o.Processor + ", " + where
	}
	if len(site.Further) > 0 {
		return "the first processor, " + where
	}
	return where
}

// delay and gain are as fine as a processor may take them.
func delay(sec float64) string { return figures.Number(sec*1000, 3) + figures.Space + "ms" }
func gain(db float64) string   { return figures.Number(db, 2) + figures.Space + "dB" }

func polarity(p int) string {
	if p < 0 {
		return "reversed"
	}
	return "normal"
}

func mute(muted bool) string {
	if muted {
		return "muted"
	}
	return "open"
}

// processors lists what the outputs belong to.
func processors(site engine.Site) [][]string {
	var rows [][]string
	for _, w := range site.Wirings() {
		name := "Processor"
		if w.Name != "" {
			name += " " + w.Name
		}
		rows = append(rows, []string{name, w.Profile + " at " + w.Address})
	}
	return rows
}

// signatures are for ink.
func signatures() folio.Section {
	return folio.Section{Heading: "Signed", Blocks: []folio.Block{
		{Text: "Name and day, by hand. A signature says who did or agreed to what stands here; it makes no place safe."},
		{Lines: []string{"Set up by", "Measured by", "Agreed by"}},
	}}
}
