package whatif

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"hushback/engine"
	"hushback/engine/array"
)

// Control is one measure that can be changed: what it is, how far it goes and why.
// All values are in Unit.
type Control struct {
	Key   string // "target", "temperature", "side", "depth", "arc"
	Label string
	Unit  string // "Hz", "°C", "m", "°"

	Value, Low, High, Step float64
	Ends                   string // why it ends there, the end of a sentence
	Missing                string // why the site has no such measure; "" if it has
}

// dial is a measure of every site.
type dial struct {
	key, label, unit string
	step             float64
	perUnit          float64 // from SI
	field            func(*Wish) *float64
	ends             func(engine.Site, []array.Array) (low, high float64, why string) // in unit
	missing          func([]array.Array) string
}

func dials() []dial {
	return []dial{
		{"target", "Target frequency", "Hz", 0.5, 1, func(w *Wish) *float64 { return &w.TargetHz }, targetEnds, never},
		{"temperature", "Temperature", "°C", 0.5, 1, func(w *Wish) *float64 { return &w.TemperatureC }, temperatureEnds, never},
		{"side", "Side spacing", "m", 0.01, 1, func(w *Wish) *float64 { return &w.SideM }, sideEnds, noSide},
		{"depth", "Depth", "m", 0.01, 1, func(w *Wish) *float64 { return &w.DepthM }, depthEnds, noDepth},
		{"arc", "Arc", "°", 1, 180 / math.Pi, func(w *Wish) *float64 { return &w.ArcRad }, arcEnds, noArc},
	}
}

func dialOf(key string) dial {
	all := dials()
	return all[slices.IndexFunc(all, func(d dial) bool { return d.key == key })]
}

// Controls are the measures of a site, each as it is. Ends are widened to take in
// what is.
func Controls(site engine.Site) []Control {
	parts, now := array.Of(site), Of(site)
	var all []Control
	for _, d := range dials() {
		c := Control{Key: d.key, Label: d.label, Unit: d.unit, Step: d.step, Missing: d.missing(parts)}
		c.Value = *d.field(&now) * d.perUnit
		if c.Missing == "" {
			c.Low, c.High, c.Ends = d.ends(site, parts)
			c.Low = d.step * math.Ceil(math.Min(c.Low, c.Value)/d.step-0.5)
			c.High = d.step * math.Floor(math.Max(c.High, c.Value)/d.step+0.5)
		}
		all = append(all, c)
	}
	return all
}

// print is a value with as many digits as a step has.
func (c Control) print(v float64) string {
	return engine.Fixed(v, max(0, int(math.Ceil(-math.Log10(c.Step)-1e-9))))
}

// Says is a value with its unit.
func (c Control) Says(v float64) string { return c.Unitised(c.print(v)) }

// Unitised is text with the unit behind it.
func (c Control) Unitised(text string) string {
	if c.Unit == "°" {
		return text + c.Unit
	}
	return text + " " + c.Unit
}

// Text is the value, Least and Most the ends, as a form has them.
func (c Control) Text() string  { return c.print(c.Value) }
func (c Control) Least() string { return c.print(c.Low) }
func (c Control) Most() string  { return c.print(c.High) }

func never([]array.Array) string { return "" }

// shaped says why the places of several arrays cannot be changed together.
func shaped(parts []array.Array) string {
	switch {
	case len(parts) == 0:
		return "the site has no front row"
	case len(array.Distinct(parts)) > 1:
		return "the array has parts that are set up differently, so that one number does not say how all stand"
	}
	return ""
}

func noSide(parts []array.Array) string {
	if why := shaped(parts); why != "" {
		return why
	}
	if len(parts[0].Front) < 2 {
		return "the front row is a single source"
	}
	return ""
}

func noDepth(parts []array.Array) string {
	if why := shaped(parts); why != "" {
		return why
	}
	if len(parts[0].Rear()) == 0 {
		return "there is no row behind the front row"
	}
	return ""
}

func noArc(parts []array.Array) string {
	if why := shaped(parts); why != "" {
		return why
	}
	if n := len(parts[0].Front); n < 3 {
		return fmt.Sprintf("it takes three in the front row to bend it, there are %d", n)
	}
	return ""
}

func targetEnds(site engine.Site, _ []array.Array) (low, high float64, why string) {
	return site.Target.Range.LowHz, site.Target.Range.HighHz, "these are the ends of the operating range"
}

func temperatureEnds(engine.Site, []array.Array) (low, high float64, why string) {
	return -10, 40, "from frost to a hot day; from 0 to 30 °C the speed of sound is known to 0.1 m/s, beyond it is an estimate"
}

// leastM is how much room a cabinet takes at least whose size the site does not say.
const leastM = 0.3

// room is the widest and the deepest cabinet of a front row.
func room(site engine.Site, a array.Array) (wide, deep float64) {
	wide, deep = leastM, leastM
	for _, src := range a.Front {
		if k, known := site.Cabinet(src.Cabinet); known {
			wide, deep = math.Max(wide, k.WidthM), math.Max(deep, k.DepthM)
		}
	}
	return wide, deep
}

func sideEnds(site engine.Site, parts []array.Array) (low, high float64, why string) {
	wide, _ := room(site, parts[0])
	top := site.Target.Range.HighHz
	return wide, math.Max(wide, speed(site)/top), fmt.Sprintf("nearer than that cabinets stand in each other; a wavelength at %g Hz apart, side lobes are as loud as the front", top)
}

func depthEnds(site engine.Site, parts []array.Array) (low, high float64, why string) {
	_, deep := room(site, parts[0])
	behind := parts[0].Depths()
	further := behind[len(behind)-1] - behind[0] // from the first row behind to the last
	target := site.Target.NullHz
	return further + deep, further + math.Max(deep, speed(site)/(2*target)), fmt.Sprintf("nearer than that the rows stand in each other; with half a wavelength at %g Hz between the front row and what is behind it, they cancel in front too", target)
}

func arcEnds(engine.Site, []array.Array) (low, high float64, why string) {
	return 0, 180, "from straight to half a circle; beyond that the outer cabinets look backwards"
}

// Read takes a wish from a form, whose fields are called like the controls, layout
// and treatment. What is not given, and what reads as the site's own value does, is
// as it is. Errors name the field.
func Read(site engine.Site, field func(name string) string) (Wish, error) {
	w := Of(site)
	w.Layout, w.Treatment = field("layout"), engine.Treatment(field("treatment"))
	for _, c := range Controls(site) {
		text := strings.TrimSpace(field(c.Key))
		if text == "" || c.Missing != "" {
			continue
		}
		v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return Wish{}, fmt.Errorf("%s: got %q, want a number of %s such as %s", lower(c.Label), text, c.Unit, c.Text())
		}
		if c.print(v) != c.Text() {
			d := dialOf(c.Key)
			*d.field(&w) = v / d.perUnit
		}
	}
	return w, nil
}

// Fields are what Read takes, of this wish on a site.
func (w Wish) Fields(site engine.Site) map[string]string {
	fields := map[string]string{"layout": w.Layout, "treatment": string(w.Treatment)}
	for _, c := range Controls(site) {
		if d := dialOf(c.Key); c.Missing == "" {
			fields[c.Key] = c.print(*d.field(&w) * d.perUnit)
		}
	}
	return fields
}

func lower(s string) string { return strings.ToLower(s[:1]) + s[1:] }
