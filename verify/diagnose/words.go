package diagnose

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"hushback/engine"
	"hushback/verify"
	"hushback/verify/diagnose/model"
)

// words turns guesses into what a person can act on.
type words struct {
	site    engine.Site
	sheet   engine.Sheet
	m       *model.Model
	guesses []guess
}

var roles = [2]engine.Role{engine.RoleFront, engine.RoleRear}

func (w words) diagnosis() Diagnosis {
	all, healthy := suspects(w.guesses)
	d := Diagnosis{Healthy: healthy}
	for _, s := range all {
		if s.probability >= leastProbability {
			d.Causes = append(d.Causes, w.cause(s))
		}
	}
	if c, clear := w.noise(); c.Probability >= leastProbability {
		d.Causes = append(d.Causes, c)
		d.Healthy *= clear
	}
	slices.SortStableFunc(d.Causes, func(a, b Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	for i := range d.Causes {
		c := &d.Causes[i]
		switch {
		case c.Probability >= 0.5:
		case i == 0 && c.Probability > d.Healthy:
			c.Sentence = "most likely " + c.Sentence
		default:
			c.Sentence = "possibly " + c.Sentence
		}
	}
	return d
}

// noise is the cause that a microphone hears too much of it, the worse one or
// both, and the probability that none does.
func (w words) noise() (c Cause, clear float64) {
	front, rear := noisy(w.m.SignalDB[0]), noisy(w.m.SignalDB[1])
	clear = (1 - front) * (1 - rear)
	worse := 0
	if rear > front {
		worse = 1
	}
	db, who := w.m.SignalDB[worse], fmt.Sprintf("the %s microphone (%s) hears", roles[worse], w.microphone(worse))
	c = Cause{Kind: Noise, Microphone: w.microphone(worse), Amount: db, Unit: "dB", Probability: 1 - clear}
	if min(front, rear) >= 0.5 {
		c.Microphone, who = "", "both microphones hear"
	}
	c.Evidence = fmt.Sprintf("the loudest captures stand %.1f dB at the front and %.1f dB at the rear microphone above the noise of one average, in the middle of the operating range; %d dB are wanted",
		w.m.SignalDB[0], w.m.SignalDB[1], verify.LeastSignalDB)
	c.Sentence = fmt.Sprintf("%s too much noise: play %.0f dB louder or measure when it is quiet", who, math.Max(1, math.Ceil(verify.LeastSignalDB-db)))
	return c, clear
}

// cause spells a suspect, with the quantities of the best guess it is in.
func (w words) cause(s suspect) Cause {
	f, theta := s.fault, s.best.fit.Theta
	c := Cause{Kind: f.kind, Probability: s.probability, Evidence: w.fits(s)}
	if f.output >= 0 {
		c.Output = w.site.Outputs[f.output].Number
		c.Evidence = w.alone(s.best.fit, f.output)
	}
	switch f.kind {
	case Polarity:
		c.Sentence = w.title(c.Output) + " plays with its polarity reversed: turn it over, at its cable or in its processor"
	case Dead:
		c.Sentence = w.title(c.Output) + " is not heard: look at its mute, its amplifier and its cable"
	case Swapped:
		c.Other = w.site.Outputs[f.other].Number
		c.Evidence = w.exchanged(s.best.fit, f)
		c.Sentence = fmt.Sprintf("%s and %s are swapped, each feeds the other's loudspeaker: exchange their cables", w.title(c.Output), w.title(c.Other))
	case Delay:
		set, _ := w.sheet.Setting(c.Output)
		off := theta[w.m.Delay(f.output)]
		c.Amount, c.Unit = off*1e3, "ms"
		c.Sentence = fmt.Sprintf("%s plays %.2f ms %s than its sheet says, as if its delay were %.2f ms instead of %.2f ms: set it again and look for a delay elsewhere on its way",
			w.title(c.Output), math.Abs(off)*1e3, side(off, "later", "earlier"), (set.DelaySec+off)*1e3, set.DelaySec*1e3)
	case Level:
		c.Amount, c.Unit = theta[w.m.Level(f.output)], "dB"
		c.Sentence = fmt.Sprintf("%s is %.1f dB %s than its sheet says: look at its gain, its amplifier and how many cabinets play",
			w.title(c.Output), math.Abs(c.Amount), side(c.Amount, "louder", "quieter"))
	case DelayUnit:
		w.unit(&c, f)
	default:
		w.shared(&c, s)
	}
	return c
}

// shared spells the kinds that belong to no output.
func (w words) shared(c *Cause, s suspect) {
	f, theta := s.fault, s.best.fit.Theta
	switch f.kind {
	case Position:
		src := w.site.Sources[f.source]
		at := slices.IndexFunc(w.site.Outputs, func(o engine.Output) bool { return o.Number == src.Output })
		c.Source, c.Output, c.Unit, c.Evidence = src.Name, src.Output, "m", w.alone(s.best.fit, at)
		c.Amount, c.AmountY = theta[w.m.SourceX(f.source)], theta[w.m.SourceY(f.source)]
		c.Sentence = fmt.Sprintf("source %s stands %s than the site says: move it, or correct the site and solve again", c.Source, away(c.Amount, c.AmountY))
	case Misplaced:
		c.Microphone, c.Unit = w.microphone(f.mic), "m"
		c.Amount, c.AmountY = theta[w.m.MicrophoneX(f.mic)], theta[w.m.MicrophoneY(f.mic)]
		c.Sentence = fmt.Sprintf("the %s microphone (%s) stands %s than the site says: move it, or correct the site", roles[f.mic], c.Microphone, away(c.Amount, c.AmountY))
	case Temperature:
		c.Amount, c.Unit = theta[w.m.Warmer()], "°C"
		stated := w.site.Air.TemperatureC
		c.Sentence = fmt.Sprintf("the air is %.0f °C %s than the site says, about %.0f °C instead of %.0f °C: take its temperature again, correct the site and solve again",
			math.Abs(c.Amount), side(c.Amount, "warmer", "colder"), stated+c.Amount, stated)
	case Exchanged:
		c.Sentence = fmt.Sprintf("the microphones are exchanged, what is called %s stands at %s: exchange their cables or their names", w.microphone(0), w.microphone(1))
	case Inverted:
		c.Sentence = "reference and microphone are exchanged at the recorder's inputs: swap the two cables or the channels' roles"
	case Reference:
		c.Amount, c.Unit = s.best.fit.SharedDB(), "dB"
		c.Sentence = fmt.Sprintf("all captures share a response that bends by %.0f dB over the operating range: unless the loudspeakers do that by themselves, take the reference from what goes into the processor, behind any filter and equaliser", c.Amount)
	case Limiter:
		c.Amount, c.Unit = theta[w.m.Limiter()], "dB"
		c.Sentence = fmt.Sprintf("a limiter acts: with everything open the array plays %.1f dB less than its outputs alone add up to; play the test signal %.0f dB quieter and measure again", c.Amount, math.Ceil(c.Amount+3))
	case Unexplained:
		c.Amount, c.Unit = 100*f.amount, "%"
		c.Sentence = fmt.Sprintf("the captures differ from what the site predicts by some %.0f %% at every frequency by itself, which no single mistake explains: look for walls and large objects that the site does not have", c.Amount)
	}
}

func (w words) unit(c *Cause, f fault) {
	c.Amount, c.Unit = f.amount, "of the delay"
	how, factor := "", fmt.Sprintf("%.3g times", f.amount)
	switch {
	case f.amount > 40:
		how = fmt.Sprintf("samples at %.0f kHz were read as milliseconds", f.amount)
	case f.amount < 1/40.:
		factor = fmt.Sprintf("1/%.0f of", 1/f.amount)
		how = fmt.Sprintf("milliseconds were read as samples at %.0f kHz", 1/f.amount)
	case f.amount < 1:
		how = "metres were read as feet"
	default:
		how = "feet were read as metres"
	}
	if f.output >= 0 {
		c.Sentence = fmt.Sprintf("%s plays with %s its sheet's delay, as if %s: correct the unit and set its delay again", w.title(c.Output), factor, how)
		return
	}
	c.Sentence = fmt.Sprintf("all outputs play with %s their sheet's delays, as if %s: correct the unit in the processor's profile", factor, how)
}

// alone is what was measured of an output by itself.
func (w words) alone(r model.Result, output int) string {
	title := w.title(w.site.Outputs[output].Number)
	var parts []string
	for _, l := range r.Look(output) {
		if l.LevelDB < -25 {
			parts = append(parts, fmt.Sprintf("%s microphone, %s alone: at least %.0f dB below prediction", roles[l.Mic], title, math.Floor(-l.LevelDB)))
			continue
		}
		parts = append(parts, fmt.Sprintf("%s microphone, %s alone: %.0f° from prediction in phase, best lined up %.2f ms %s, %.1f dB %s",
			roles[l.Mic], title, math.Abs(l.PhaseDeg), math.Abs(l.LateSec)*1e3, side(l.LateSec, "late", "early"), math.Abs(l.LevelDB), side(l.LevelDB, "louder", "quieter")))
	}
	if len(parts) == 0 {
		return w.off(r)
	}
	return strings.Join(parts, "; ")
}

// exchanged is how well two outputs fit their own places and each other's.
func (w words) exchanged(r model.Result, f fault) string {
	var parts []string
	for _, pair := range [][2]int{{f.output, f.other}, {f.other, f.output}} {
		own, other := r.Look(pair[0]), r.LookAs(pair[0], pair[1])
		for i := range own {
			parts = append(parts, fmt.Sprintf("%s microphone, %s alone: %.0f %% off its own loudspeaker's prediction, %.0f %% off the other's",
				roles[own[i].Mic], w.title(w.site.Outputs[pair[0]].Number), 100*own[i].OffRatio, 100*other[i].OffRatio))
		}
	}
	if len(parts) == 0 {
		return w.off(r)
	}
	return strings.Join(parts, "; ")
}

// fits is the evidence of what shows in all captures together.
func (w words) fits(s suspect) string { return w.off(s.best.fit) }

func (w words) off(r model.Result) string {
	for _, g := range w.guesses {
		if len(g.faults) == 0 {
			return fmt.Sprintf("the captures are %.1f %% off what the site predicts, and %.1f %% with this taken into account", 100*g.fit.Off(), 100*r.Off())
		}
	}
	return fmt.Sprintf("the captures are %.1f %% off with this taken into account", 100*r.Off())
}

func (w words) title(number int) string {
	output, _ := w.site.Output(number)
	return output.Title()
}

func (w words) microphone(mic int) string {
	m, _ := w.site.Microphone(roles[mic])
	return m.Name
}

func side(v float64, above, below string) string {
	if v < 0 {
		return below
	}
	return above
}

// away says where something stands from where it should, leaving out what is
// less than a third of the other.
func away(x, y float64) string {
	var parts []string
	if math.Abs(x) >= math.Abs(y)/3 {
		parts = append(parts, fmt.Sprintf("%.2f m %s", math.Abs(x), side(x, "nearer the audience", "further from the audience")))
	}
	if math.Abs(y) >= math.Abs(x)/3 {
		parts = append(parts, fmt.Sprintf("%.2f m further to the %s as one looks at the audience", math.Abs(y), side(y, "left", "right")))
	}
	return strings.Join(parts, " and ")
}
