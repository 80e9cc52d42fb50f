package source

import (
	"bufio"
	"context"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// A source that nobody here wrote: the npm package ws, which `bash .ci/run`
// installs; go test -short does without. It hangs up
// without a goodbye once, after which the connection is made again.
func TestForeignSource(t *testing.T) {
	if testing.Short() {
		t.Log("short: nothing is taken from another implementation")
		return
	}
	node, err := exec.LookPath("node")
	modules, _ := filepath.Abs("../../.ci/node_modules")
	if _, missing := os.Stat(filepath.Join(modules, "ws")); err != nil || missing != nil {
		t.Fatal("node and the package ws are needed: bash .ci/run installs them (or go test -short)")
	}
	command := exec.CommandContext(t.Context(), node, "../../testdata/interop/function_source.js")
	command.Env, command.Stderr = append(os.Environ(), "NODE_PATH="+modules), t.Output()
	out, err := command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := command.Start(); err != nil {
		t.Fatal(err)
	}
	defer command.Wait()
	defer command.Process.Kill()
	lines := bufio.NewScanner(out)
	lines.Scan()
	port := lines.Text()

	s := New(Mapping{
		Microphone: "alley", URL: "ws://127.0.0.1:" + port + "/", Subprotocol: "measurement.v1", Say: `{"subscribe": "trace"}`, AveragingSec: 0.02,
		Frequency: Array{Pointer: "/trace/hz", Unit: 1}, Level: Array{Pointer: "/trace/db", Unit: 1},
		Phase: Array{Pointer: "/trace/deg", Unit: math.Pi / 180}, Coherence: Array{Pointer: "/trace/coherence", Unit: 1}, Averages: Averages{Pointer: "/settings/averages"},
	})
	ctx, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	go s.Run(ctx)
	for range 2 { // told again after it hung up
		if !lines.Scan() || lines.Text() != "told trace" {
			t.Fatalf("it says %q", lines.Text())
		}
	}
	for s.Status().Functions < 25 {
		select {
		case <-ctx.Done():
			t.Fatalf("%+v", s.Status())
		case <-time.After(5 * time.Millisecond):
		}
	}
	f, err := s.Function(ctx, 0)
	if err != nil {
		t.Fatal(err)
	}
	if count := -100 * 20 * math.Log10(cmplx.Abs(f.H[1])); count < 25 || math.Abs(count-math.Round(count)) > 1e-6 || math.Abs(cmplx.Phase(f.H[1])-math.Pi/2) > 1e-12 || f.Averages != 8 {
		t.Errorf("function %.3f: %v, %g averages", count, f.H, f.Averages)
	}
	if st := s.Status(); st.Refused != 0 || st.Other != 2 {
		t.Errorf("%+v", st)
	}
}
