package watching

import (
	"math"

	"github.com/prometheus/client_golang/prometheus"

	"hushback/cmd/internal/desk"
	"hushback/control/wire"
)

// picture tells how the rig stands at the moment in which it is asked.
type picture struct{ *Watch }

// Describe tells nothing beforehand: which processors and microphones there are
// is known once the daemon runs.
func (picture) Describe(chan<- *prometheus.Desc) {}

// Collect tells of everything that the page shows as a number.
func (p picture) Collect(to chan<- prometheus.Metric) {
	v := p.of.View()
	t := teller{to}
	t.state(v)
	for _, one := range p.of.Traffic() {
		t.traffic(one)
	}
	for _, f := range v.Feeds {
		t.feed(f)
	}
	live, paired := p.of.Company()
	t.gauge("hushback_live_pages", "Pages that follow the daemon now.", float64(live))
	t.gauge("hushback_phones_paired", "Phones that are paired now.", float64(paired))
	t.gauge("hushback_strange_values", "Values on processors that somebody else changed.", float64(len(v.Strange)))
}

// teller writes samples.
type teller struct{ to chan<- prometheus.Metric }

func (t teller) gauge(name, help string, value float64, labels ...string) {
	t.sample(prometheus.GaugeValue, name, help, value, labels)
}

func (t teller) count(name, help string, n int, labels ...string) {
	t.sample(prometheus.CounterValue, name, help, float64(n), labels)
}

// sample writes one sample; labels are names and values by turns. A value that
// nobody can tell is left out.
func (t teller) sample(kind prometheus.ValueType, name, help string, value float64, labels []string) {
	if math.IsNaN(value) {
		return
	}
	var names, values []string
	for i := 0; i < len(labels); i += 2 {
		names, values = append(names, labels[i]), append(values, labels[i+1])
	}
	t.to <- prometheus.MustNewConstMetric(prometheus.NewDesc(name, help, names, nil), kind, value, values...)
}

// states are all that a change can be in.
func states() []string {
	return []string{"idle", "drafted", "sending", "measuring", "held", "kept", "rolled back", "adrift"}
}

func (t teller) state(v desk.View) {
	is := desk.StateName(v.State)
	for _, name := range states() {
		t.gauge("hushback_state", "Where the change stands: 1 for the state that it is in.", number(name == is), "state", name)
	}
	t.gauge("hushback_safe_preset", "Whether there is a safe preset to return to.", number(v.Safe != nil))
}

func (t teller) traffic(one wire.Traffic) {
	of := []string{"processor", one.Processor}
	t.count("hushback_writes_total", "Writes handed over, repeats included.", one.Writes, of...)
	t.count("hushback_queries_total", "Questions asked, repeats included.", one.Questions, of...)
	t.count("hushback_unanswered_total", "Questions that were not answered in time: they or their answers were lost.", one.Unanswered, of...)
	t.count("hushback_repeats_total", "Questions and writes that had to be repeated.", one.Repeats, of...)
	t.count("hushback_mismatches_total", "Values that were read back other than written.", one.Mismatches, of...)
	t.count("hushback_dropped_total", "Packets from the processor that could not be read or answered nothing.", one.Dropped, of...)
	t.count("hushback_foreign_total", "Datagrams that came from elsewhere and were not looked at.", one.Foreign, of...)
	if !one.Answered.IsZero() {
		t.gauge("hushback_last_answer_timestamp_seconds", "When the processor answered last.", float64(one.Answered.UnixMilli())/1000, of...)
	}
}

func (t teller) feed(f desk.Feed) {
	of := []string{"microphone", f.Microphone}
	t.gauge("hushback_feed_connected", "Whether the microphone's feed is connected.", number(f.Connected), of...)
	if !f.Connected {
		return
	}
	t.gauge("hushback_feed_trouble", "Whether something is wrong with what it sends.", number(f.Trouble != ""), of...)
	t.gauge("hushback_feed_clipped", "Whether a sample of the last second reached full scale.", number(f.Clipped), of...)
	t.gauge("hushback_feed_gaps", "Breaks in the audio since it connected.", float64(f.Gaps), of...)
	if !f.Functions {
		t.gauge("hushback_feed_level_dbfs", "Level of the last second, dB re full scale.", f.LevelDB, of...)
		t.gauge("hushback_feed_coherence_ratio", "Mean coherence over the operating range.", f.Coherence, of...)
	}
}

func number(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}
