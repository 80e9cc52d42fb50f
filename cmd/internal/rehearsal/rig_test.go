package rehearsal

import (
	"context"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"hushback/cmd/internal/emulated"
	"hushback/control/osc"
	"hushback/engine"
	"hushback/verify/feed"
)

const (
	token    = "rehearsal token"
	patience = 60 * time.Second // for things that happen soon on any machine
)

// hall is an address at which hubs can come and go.
type hall struct {
	url string
	hub atomic.Pointer[feed.Hub]
}

func openHall(t *testing.T) *hall {
	t.Helper()
	h := &hall{}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { h.hub.Load().ServeHTTP(w, r) }))
	t.Cleanup(server.Close)
	h.url = "ws" + strings.TrimPrefix(server.URL, "http")
	h.open(t)
	return h
}

// open puts a new hub in the place of the present one.
func (h *hall) open(t *testing.T) {
	hub := feed.NewHub([]string{"far", "back"}, token)
	t.Cleanup(hub.Close)
	if old := h.hub.Swap(hub); old != nil {
		old.Close()
	}
}

// listen runs a rig's microphones until the test ends or stop is called, which
// returns what Listen did.
func listen(t *testing.T, r *Rig, url string) (stop func() error) {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Listen(ctx, url, token) }()
	t.Cleanup(cancel)
	return func() error {
		cancel()
		return await(t, ended, "Listen to return")
	}
}

func await[T any](t *testing.T, c <-chan T, what string) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(patience):
		t.Fatalf("waited %v for %s", patience, what)
		panic("unreachable")
	}
}

// capture waits until a microphone is connected and takes a recording.
func (h *hall) capture(t *testing.T, microphone string, settle, length int) feed.Recording {
	t.Helper()
	var err error
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		var rec feed.Recording
		if rec, err = h.hub.Load().Capture(context.Background(), microphone, float64(settle)/sampleRate, float64(length)/sampleRate); err == nil {
			return rec
		}
	}
	t.Fatalf("no capture for %v: %v", patience, err)
	panic("unreachable")
}

// The whole rig over its sockets: settings go in as datagrams, a second of
// audio comes out of both microphones, and its transfer function is the closed
// form within 0.3 dB and 2 degrees wherever it is within 25 dB of the front
// sum.
func TestSettingsSentAreSettingsHeard(t *testing.T) {
	t.Parallel()
	r, h := startRig(t, testSeed, Fault{Late, 4}), openHall(t)
	listen(t, r, h.url)
	a := ask(t, r.Processor)
	for _, sheet := range [][]engine.Setting{r.Processor.Settings(), testSheet()} {
		for _, s := range sheet {
			out := "/out/" + string(rune('0'+s.Output))
			a.float(out+"/delay", s.DelaySec*1000)
			a.float(out+"/gain", s.GainDB)
			a.int(out+"/polarity", int32(1-s.Polarity)/2)
			a.value(out+"/polarity", ",i")
		}
		checkHeard(t, r, h)
	}
}

func checkHeard(t *testing.T, r *Rig, h *hall) {
	t.Helper()
	var freqHz []float64
	for f := 20.0; f <= 120; f += 2 {
		freqHz = append(freqHz, f)
	}
	want := map[string][]complex128{}
	turn, frontSum := roots(sampleRate), 0.0
	for _, m := range testSite().Microphones {
		want[m.Name] = r.Response(m.Role, r.Processor.Settings(), freqHz)
	}
	for _, p := range want["far"] {
		frontSum = max(frontSum, cmplx.Abs(p))
	}
	for name, p := range want {
		rec := h.capture(t, name, sampleRate/5, sampleRate)
		checked := 0
		for i, f := range freqHz {
			if cmplx.Abs(p[i]) < frontSum*math.Pow(10, -25.0/20) {
				continue
			}
			checked++
			db, degrees := differ(dft(rec.Microphone, turn, int(f))/dft(rec.Reference, turn, int(f)), p[i])
			if math.Abs(db) > 0.3 || math.Abs(degrees) > 2 {
				t.Errorf("%s, %v Hz: %.3f dB, %.2f° off the closed form", name, f, db, degrees)
			}
		}
		if checked < 20 {
			t.Errorf("%s: only %d lines are loud enough to check", name, checked)
		}
	}
}

// A mark is answered with the sample of this moment. Once the processor has
// said that everything is muted, the sound still under way dies out within the
// travel of the longest path: exactly that settling, and silence to the first
// sample. An answer from what was last sent would be up to a frame early.
func TestMarkIsTheSampleOfThisMoment(t *testing.T) {
	t.Parallel()
	r, h := startRig(t, testSeed, Fault{}), openHall(t)
	listen(t, r, h.url)
	a := ask(t, r.Processor)
	h.capture(t, "far", 0, 1)
	settle := int(math.Ceil(r.space().reach*sampleRate)) + 1
	loud := 0.0
	for round := range 6 {
		for _, muted := range []int32{0, 1} {
			for _, output := range []string{"1", "2", "3", "4"} {
				a.int("/out/"+output+"/mute", muted)
				a.value("/out/"+output+"/mute", ",i")
			}
			rec := h.capture(t, "far", settle, 2*frameSamples+137*round)
			rms := 0.0
			for i, y := range rec.Microphone {
				rms += y * y
				if muted == 1 && math.Abs(y) > 7*r.space().noise {
					t.Fatalf("round %d: sample %d after settling holds %v, noise has a deviation of %v", round, i, y, r.space().noise)
				}
			}
			rms = math.Sqrt(rms / float64(len(rec.Microphone)))
			if muted == 0 {
				loud = rms
			} else if rms > loud/30 {
				t.Errorf("round %d: rms %v muted, %v open", round, rms, loud)
			}
		}
	}
}

// What a microphone records of a stretch in which datagrams changed an output
// again and again is what the definition makes of the processor's memory.
func TestRecordFollowsTheProcessorsMemory(t *testing.T) {
	r := startRig(t, testSeed, Fault{})
	a := ask(t, r.Processor)
	from := r.Processor.Seconds()
	for i := range 10 {
		a.int("/out/1/polarity", int32(i%2))
		a.int("/out/3/mute", int32((i+1)%2))
		a.value("/out/3/mute", ",i")
		time.Sleep(10 * time.Millisecond) // spreads the changes; any spread will do
	}
	m, place, memory := r.microphones[0], testSite().Microphones[0].At, r.Processor.Since(0)
	noise := rand.New(rand.NewPCG(m.seed, m.stream))
	const n = 240 // short frames, so that changes lie before, in and after them
	for end := r.Processor.Seconds(); from < end; from += float64(n) / sampleRate {
		audio := m.record(from, n, noise)
		for i := 0; i < n; i += 11 {
			at := from + float64(i)/sampleRate
			if x := sines(r.space().signal, at); math.Abs(float64(audio[2*i])-x) > 1e-6 {
				t.Fatalf("at %v s: reference %v, want %v", at, audio[2*i], x)
			}
			if y := heardAt(r, place, memory, at); math.Abs(float64(audio[2*i+1])-y) > 7*r.space().noise {
				t.Fatalf("at %v s: heard %v, want %v within the noise of %v", at, audio[2*i+1], y, r.space().noise)
			}
		}
	}
}

func TestMicrophonesComeBack(t *testing.T) {
	t.Parallel()
	r, h := startRig(t, testSeed, Fault{}), openHall(t)
	stop := listen(t, r, h.url)
	for range 2 {
		h.capture(t, "far", 0, frameSamples)
		h.capture(t, "back", 0, frameSamples)
		h.open(t)
	}
	h.capture(t, "far", 0, frameSamples)
	h.capture(t, "back", 0, frameSamples)
	if err := stop(); err != nil {
		t.Errorf("Listen ended by its context: %v", err)
	}
	for _, name := range []string{"far", "back"} {
		if gaps := h.hub.Load().Feed(name).Gaps; gaps != 0 {
			t.Errorf("%s: %d gaps", name, gaps)
		}
	}
}

func TestListenSaysWhyThereIsNoFeed(t *testing.T) {
	t.Parallel()
	r, h := startRig(t, testSeed, Fault{}), openHall(t)
	for _, m := range r.microphones {
		m.patience = 0
	}
	err := r.Listen(context.Background(), h.url, "another token")
	if err == nil || !strings.Contains(err.Error(), "simulated microphone ") || !strings.Contains(err.Error(), "token") {
		t.Errorf("refused for its token: %v", err)
	}
	if err = r.Listen(context.Background(), "ws://127.0.0.1:1/", token); err == nil {
		t.Error("nobody there: no error")
	}
}

func TestCloseEndsListen(t *testing.T) {
	t.Parallel()
	r, h := startRig(t, testSeed, Fault{}), openHall(t)
	ended := make(chan error, 1)
	go func() { ended <- r.Listen(context.Background(), h.url, token) }()
	h.capture(t, "back", 0, frameSamples)
	r.Close()
	if err := await(t, ended, "Listen to return"); err != nil {
		t.Errorf("Listen ended by Close: %v", err)
	}
	if err := r.Listen(context.Background(), h.url, token); err == nil {
		t.Error("a closed rig listens")
	}
	r.Close()
}

func TestStartRefusesWhatItCannotBuild(t *testing.T) {
	for name, c := range map[string]struct {
		damage func(*Options)
		want   string
	}{
		"output beyond the processor": {func(o *Options) { o.Site.Sources[2].Output = 9 }, "source centre front: output 9"},
		"source without output":       {func(o *Options) { o.Site.Sources[0].Output = 0 }, "source rear: output 0"},
		"no rear microphone":          {func(o *Options) { o.Site.Microphones = o.Site.Microphones[:1] }, "no rear microphone"},
		"no test signal":              {func(o *Options) { o.Site.TestSignal = engine.TestSignal{} }, "test signal"},
		"fault elsewhere":             {func(o *Options) { o.Fault = Fault{Dead, 8} }, `no output "8"`},
	} {
		o := Options{Site: testSite(), Seed: testSeed}
		c.damage(&o)
		if r, err := Start(context.Background(), o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want an error with %q", name, err, c.want)
			if r != nil {
				r.Close()
			}
		}
	}
}

// After Close no goroutine of the rig or of its connections is left. Not
// parallel, so that there is no other rig.
func TestNothingIsLeftRunning(t *testing.T) {
	r, h := startRig(t, testSeed, Fault{}), openHall(t)
	ended := make(chan error, 1)
	go func() { ended <- r.Listen(context.Background(), h.url, token) }()
	h.capture(t, "far", 0, frameSamples)
	if !strings.Contains(stacks(), "rehearsal.(*microphone).play") {
		t.Fatal("the check below would not see a microphone that runs")
	}
	r.Close()
	await(t, ended, "Listen to return")
	// The last step of a goroutine, after it has said that it ends, takes a moment.
	for deadline := time.Now().Add(patience); ; runtime.Gosched() {
		left := stacks()
		if !strings.Contains(left, "rehearsal.(*microphone)") && !strings.Contains(left, "rehearsal.(*Processor)") &&
			!strings.Contains(left, "rehearsal.(*Rig)") && !strings.Contains(left, "agent.(*Agent)") {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("still running:\n%s", left)
		}
	}
}

func stacks() string {
	b := make([]byte, 1<<20)
	return string(b[:runtime.Stack(b, true)])
}

// BenchmarkMicrophone says what share of one core a microphone takes: a frame
// is a tenth of a second. The budget is 5 % for each of two.
func BenchmarkMicrophone(b *testing.B) {
	r := startRig(b, testSeed, Fault{})
	m, noise := r.microphones[0], rand.New(rand.NewPCG(1, 1))
	for b.Loop() {
		m.record(1, frameSamples, noise)
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/0.1*100, "%core")
}

// asker talks to the rig's processor.
type asker struct {
	t    *testing.T
	conn *osc.Conn
}

func ask(t *testing.T, p *emulated.Processor) asker {
	t.Helper()
	conn, err := osc.Dial(p.Addr(), osc.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return asker{t, conn}
}

func (a asker) send(address string, value any) {
	a.t.Helper()
	if err := a.conn.Send(a.t.Context(), osc.Message{Address: address, Args: []any{value}}); err != nil {
		a.t.Fatal(err)
	}
}

func (a asker) float(address string, v float64) { a.send(address, float32(v)) }

func (a asker) int(address string, v int32) { a.send(address, v) }

// value waits for an answer: then all is done that was sent before.
func (a asker) value(address, tags string) {
	a.t.Helper()
	m, err := a.conn.Ask(a.t.Context(), osc.Message{Address: address}, func(m osc.Message) bool { return m.Address == address })
	if err != nil || m.Tags() != tags {
		a.t.Fatalf("%s: answered %s, %v", address, m, err)
	}
}
