//go:build soak

package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/emulated"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/rehearsal"
	"hushback/engine"
)

const (
	soakSeed    = 808
	soakPhones  = 20
	changeEvery = 5 * time.Second
	soakFor     = "HUSHTEST_SOAK"    // how long
	soakProgram = "HUSHTEST_PROGRAM" // the program that is soaked
)

// What the daemon may take. Memory is called flat where the straight line through
// what was measured in the last two thirds of the time rises, over that time, by no
// more than the collector's own coming and going.
const (
	idleBytes   = 60e6
	idleCPU     = 0.02    // of a core
	heapMayRise = 3 << 20 // bytes
	mayRise     = 6 << 20 // bytes of memory that no file stands behind
)

// soakFaults is the network between the daemon and the processor. Now and then it is
// silent for longer than anybody asks again.
var soakFaults = emulated.Faults{
	Lose: 0.02, Double: 0.05, Replay: 0.05, ReplayWithin: 20 * time.Millisecond, Delay: 15 * time.Millisecond, Silence: 0.0003, SilentFor: 1500 * time.Millisecond,
}

// soaking says how long, and which program.
func soaking(t *testing.T) (time.Duration, string) {
	t.Helper()
	lasting, err := time.ParseDuration(os.Getenv(soakFor))
	program := os.Getenv(soakProgram)
	if err != nil || program == "" {
		t.Fatalf("run it by .ci/soak, which sets %s (%v) and %s", soakFor, err, soakProgram)
	}
	return lasting, program
}

// gauge is what is seen of a process from outside at one moment.
type gauge struct {
	at                                    time.Time
	rss, anonymous, heap                  float64 // bytes; heap is what was in use when it was last cleared up
	goroutines, files, store, papers, cpu float64 // cpu: seconds so far
}

// weigh is what the kernel says of a daemon, which costs it nothing.
func (p *process) weigh() gauge {
	p.t.Helper()
	g := gauge{at: time.Now()}
	proc := filepath.Join("/proc", fmt.Sprint(p.command.Process.Pid))
	status, err := os.ReadFile(filepath.Join(proc, "status"))
	must(p.t, err)
	for line := range strings.Lines(string(status)) {
		name, value, _ := strings.Cut(line, ":")
		kB, _ := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(value), " kB"), 64)
		switch name {
		case "VmRSS":
			g.rss = 1024 * kB
		case "RssAnon":
			g.anonymous = 1024 * kB
		}
	}
	files, err := os.ReadDir(filepath.Join(proc, "fd"))
	must(p.t, err)
	g.files = float64(len(files))
	stat, err := os.ReadFile(filepath.Join(proc, "stat"))
	must(p.t, err)
	fields := strings.Fields(string(stat[strings.LastIndex(string(stat), ")")+1:]))
	for _, field := range fields[11:13] {
		ticks, err := strconv.ParseFloat(field, 64)
		must(p.t, err)
		g.cpu += ticks / 100 // as Linux counts them on every machine
	}
	return g
}

// look is that, what the daemon says of itself, and what it has written.
func (p *process) look(state string) gauge {
	p.t.Helper()
	g := p.weigh()
	_, metrics := p.asked("/metrics")
	read := func(name string) float64 {
		_, after, _ := strings.Cut(metrics, "\n"+name+" ")
		value, _, _ := strings.Cut(after, "\n")
		v, err := strconv.ParseFloat(value, 64)
		must(p.t, err)
		return v
	}
	g.goroutines, g.heap = read("go_goroutines"), read("go_memstats_next_gc_bytes")/2
	folder := home.Folder{Dir: state}
	if about, err := os.Stat(folder.Store()); err == nil {
		g.store = float64(about.Size())
	}
	_ = filepath.Walk(folder.Changes(), func(_ string, about os.FileInfo, err error) error {
		if err == nil && !about.IsDir() {
			g.papers += float64(about.Size())
		}
		return nil
	})
	return g
}

// over is how much of a core a process took between two gauges.
func over(a, b gauge) float64 { return (b.cpu - a.cpu) / b.at.Sub(a.at).Seconds() }

// rise is by how much the least squares line through values rises between the first
// gauge and the last.
func rise(gauges []gauge, of func(gauge) float64) float64 {
	var n, x, y, xx, xy float64
	for _, g := range gauges {
		s := g.at.Sub(gauges[0].at).Seconds()
		n, x, y, xx, xy = n+1, x+s, y+of(g), xx+s*s, xy+s*of(g)
	}
	return (n*xy - x*y) / (n*xx - x*x) * gauges[len(gauges)-1].at.Sub(gauges[0].at).Seconds()
}

// stop tells a daemon to stop, as its unit does, and waits.
func (p *process) stop() {
	p.t.Helper()
	must(p.t, p.command.Process.Signal(syscall.SIGTERM))
	select {
	case err := <-p.ended:
		p.ended <- err
		if err != nil {
			p.t.Errorf("the daemon ended with %v; it said:\n%s", err, tail(p.said.String(), 4000))
		}
	case <-time.After(patience):
		p.t.Fatal("the daemon does not stop")
	}
}

// confess has a daemon that disappointed tell where each of its goroutines stands.
func (p *process) confess() {
	if !p.t.Failed() || p.command.Process.Signal(syscall.SIGQUIT) != nil {
		return
	}
	p.ended <- <-p.ended
	p.t.Logf("the daemon said:\n%s", tail(p.said.String(), 200000))
}

// TestIdle measures what a daemon takes that nobody wants anything of: with one page
// open; with two microphones besides; and, which is not idle any more, while these
// hear the test signal.
func TestIdle(t *testing.T) {
	lasting, program := soaking(t)
	lasting = min(lasting, time.Minute)
	rig, state := newRig(t), stateFolderFor(t)
	p := serveProgram(t, program, exampleSite, state, "--listen", "127.0.0.1:0", "--processor", rig.Processor.Addr())
	crowd := newCrowdOf(t, p, 1)
	ctx, cancel := context.WithCancel(t.Context())
	defer crowd.leave()
	defer cancel()
	crowd.done.Go(func() {
		if err := crowd.phones[0].follow(ctx, bySocket, "measure"); err != nil {
			t.Error(err)
		}
	})
	p.press("/safe-preset", nil)
	measure := func(what string, most float64) {
		t.Helper()
		time.Sleep(10 * time.Second) // what starting took is over
		first := p.weigh()
		last, rss := first, first.rss
		for range int(lasting / time.Second) {
			time.Sleep(time.Second)
			last = p.weigh()
			rss = max(rss, last.rss)
		}
		after := p.look(state)
		t.Logf("idle, one page, %s: RSS %.1f MB at most, %.2f %% of a core over %.0f s, heap %.1f MB, %.0f goroutines, %.0f files",
			what, rss/1e6, 100*over(first, last), last.at.Sub(first.at).Seconds(), after.heap/1e6, after.goroutines, after.files)
		if rss > idleBytes || over(first, last) > most {
			t.Errorf("that is more than %.0f MB or %.0f %% of a core", idleBytes/1e6, 100*most)
		}
	}
	measure("no microphone", idleCPU)
	f := newFeeds(t, p)
	site := example(t)
	var recorders []*recorder
	for i, m := range site.Microphones {
		r := newRecorder(rig, site.TestSignal, m.Role, 10+uint64(i))
		r.playing.Store(false)
		recorders = append(recorders, r)
		f.listen(program, m.Name, r)
	}
	p.until(func(r desk.Report) bool { return len(r.Feeds) == 2 && r.Feeds[0].Connected && r.Feeds[1].Connected })
	measure("two microphones", 2*idleCPU) // 200,000 samples a second are taken in
	for _, r := range recorders {
		r.playing.Store(true)
	}
	measure("two microphones that hear the test signal", 2*idleCPU)
	f.close()
	cancel()
	crowd.leave()
	p.stop()
}

// soak is one long run.
type soak struct {
	t       *testing.T
	p       *process
	state   string
	rig     *rehearsal.Rig
	network *emulated.Network
	crowd   *soakCrowd
	site    engine.Site
	rng     *rand.Rand

	mu     sync.Mutex
	gauges []gauge
}

// TestSoak has everybody there is at one daemon at once, for long: phones that come
// and go, microphones whose connections break, somebody who sends one change after the
// other through a network that loses. Then all go, and nothing of them may be left.
func TestSoak(t *testing.T) {
	lasting, program := soaking(t)
	s := &soak{t: t, state: stateFolderFor(t), rig: newRig(t), site: example(t), rng: rand.New(rand.NewPCG(soakSeed, 1))}
	s.storePresets()
	var err error
	s.network, err = emulated.NewNetwork(s.rig.Processor.Addr(), soakSeed)
	must(t, err)
	t.Cleanup(s.network.Close)
	front, rear := s.site.Microphones[0], s.site.Microphones[1]
	source := serveSource(t, s.rig, s.site.TestSignal, rear.Name, rear.Role)
	s.p = serveProgram(t, program, exampleSite, s.state, "--listen", "127.0.0.1:0", "--processor", s.network.Addr(), "--source", source, "--log-level", "warn")
	t.Cleanup(s.p.confess)
	s.p.until(func(r desk.Report) bool { return len(r.Feeds) == 2 && r.Feeds[1].Connected })
	before := s.settled(func(gauge) bool { return true })
	for range 4 { // what comes and goes by itself is not counted
		g := s.settled(func(gauge) bool { return true })
		before.goroutines, before.files = min(before.goroutines, g.goroutines), min(before.files, g.files)
	}

	s.crowd = newCrowdOf(t, s.p, soakPhones)
	ctx, cancel := context.WithTimeout(t.Context(), lasting)
	defer cancel()
	kinds := []int{bySocket, byEvents, bySocket, sleeps, byEvents, bySocket, designs, sleeps, bySocket, bySocket}
	for i, o := range s.crowd.phones {
		s.crowd.done.Go(func() { o.live(ctx, kinds[i%len(kinds)]) })
	}
	f := newFeeds(t, s.p)
	f.listen(program, front.Name, newRecorder(s.rig, s.site.TestSignal, front.Role, 20))
	f.listen(program, rear.Name, newRecorder(s.rig, s.site.TestSignal, rear.Role, 21))
	f.moved(newRecorder(s.rig, s.site.TestSignal, front.Role, 22))
	f.cut(rand.New(rand.NewPCG(soakSeed, 2)))
	s.p.until(func(r desk.Report) bool { return len(r.Feeds) == 2 && r.Feeds[0].Connected && r.Feeds[1].Connected })
	s.crowd.done.Go(func() { s.watch(ctx) })
	s.network.Set(soakFaults)
	o := &operator{soak: s, phone: s.crowd.phones[0], counts: map[string]int{}}
	o.work(ctx)

	s.network.Set(emulated.Faults{})
	s.crowd.leave()
	f.close()
	after := s.settled(func(g gauge) bool { return g.goroutines <= before.goroutines && g.files <= before.files })
	if after.goroutines > before.goroutines || after.files > before.files {
		t.Fatalf("%.0f goroutines and %.0f files are left, before there were %.0f and %.0f", after.goroutines, after.files, before.goroutines, before.files)
	}
	s.p.stop()
	s.judgeMemory()
	o.judgeJournal()
	s.tell(o, before, after, lasting)
}

// settled waits until a daemon that everybody has left is as wanted, for as long as
// it may take to see that somebody has gone.
func (s *soak) settled(wanted func(gauge) bool) gauge {
	end := time.Now().Add(patience)
	for {
		http.DefaultClient.CloseIdleConnections()
		time.Sleep(2 * time.Second)
		g := s.p.look(s.state)
		if wanted(g) || time.Now().After(end) {
			return g
		}
	}
}

// watch looks at the daemon once a second.
func (s *soak) watch(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		g := s.p.look(s.state)
		s.mu.Lock()
		s.gauges = append(s.gauges, g)
		s.mu.Unlock()
	}
}

// fillsWithin is how long what is kept for a while, up to its bound, takes to fill.
const fillsWithin = time.Minute

// judgeMemory holds the last two thirds of the run against a level line.
func (s *soak) judgeMemory() {
	late := s.gauges[len(s.gauges)/3:]
	if late[0].at.Sub(s.gauges[0].at) < fillsWithin-time.Second {
		s.t.Log("memory is not judged: the run is too short for what is kept to have filled; three minutes are enough")
		return
	}
	for _, m := range []struct {
		what string
		of   func(gauge) float64
		most float64
	}{
		{"the heap", func(g gauge) float64 { return g.heap }, heapMayRise},
		{"memory", func(g gauge) float64 { return g.anonymous }, mayRise},
	} {
		if up := rise(late, m.of); up > m.most || math.IsNaN(up) {
			s.t.Errorf("%s rises by %.2f MB over %.0f s, want at most %.2f MB", m.what, up/1e6, late[len(late)-1].at.Sub(late[0].at).Seconds(), m.most/1e6)
		}
	}
}

// tell prints the figures.
func (s *soak) tell(o *operator, before, after gauge, lasting time.Duration) {
	third := s.gauges[len(s.gauges)/3:]
	first, last := s.gauges[0], s.gauges[len(s.gauges)-1]
	most := first
	for _, g := range s.gauges {
		most.rss, most.anonymous, most.heap = max(most.rss, g.rss), max(most.anonymous, g.anonymous), max(most.heap, g.heap)
		most.goroutines, most.files = max(most.goroutines, g.goroutines), max(most.files, g.files)
	}
	load, _ := os.ReadFile("/proc/loadavg")
	c := s.crowd
	say := func(what, format string, args ...any) { s.t.Logf("%-34s "+format, append([]any{what}, args...)...) }
	say("lasting", "%s, seed %d; load of the machine at the end %s", lasting, soakSeed, strings.Join(strings.Fields(string(load))[:3], " "))
	say("phones", "%d; %d links, %d pictures, %d MB, %d times asleep, %d trials", len(c.phones), c.links.Load(), c.pictures.Load(), c.bytes.Load()>>20, c.slept.Load(), c.trys.Load())
	say("changes", "\n    %s", o.tally())
	say("journal", "%s", o.left)
	say("datagrams through the network", "%d", s.network.Carried())
	say("CPU", "%.0f %% of a core", 100*over(first, last))
	line := func(what string, unit float64, of func(gauge) float64) {
		say(what, "before %.1f, at a third %.1f, at the end %.1f, most %.1f, gone away %.1f", of(before)/unit, of(third[0])/unit, of(last)/unit, of(most)/unit, of(after)/unit)
	}
	line("RSS, MB", 1e6, func(g gauge) float64 { return g.rss })
	line("of it without a file, MB", 1e6, func(g gauge) float64 { return g.anonymous })
	line("heap in use, MB", 1e6, func(g gauge) float64 { return g.heap })
	line("goroutines", 1, func(g gauge) float64 { return g.goroutines })
	line("open files", 1, func(g gauge) float64 { return g.files })
	say("rise over the last two thirds, MB", "without a file %.2f, heap %.2f", rise(third, func(g gauge) float64 { return g.anonymous })/1e6, rise(third, func(g gauge) float64 { return g.heap })/1e6)
	say("store, kB", "%.0f to %.0f", first.store/1e3, after.store/1e3)
	say("dossiers, kB", "%.0f to %.0f", first.papers/1e3, after.papers/1e3)
}
