package main

import (
	"context"
	"encoding/json"
	"log/slog"
	"math"
	"math/cmplx"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/rehearsal"
	"hushback/configs"
	"hushback/control"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/verify"
	"hushback/verify/feed/protocol"
)

// measuring is a program that measures at a microphone by itself: to each mark it
// answers what the rig does at that moment, by the closed form.
func measuring(t *testing.T, url, token, microphone string, response func() []complex128, freqHz []float64) {
	dialer := websocket.Dialer{Subprotocols: []string{protocol.Subprotocol}}
	conn, _, err := dialer.DialContext(t.Context(), url, http.Header{"Authorization": {"Bearer " + token}})
	must(t, err)
	t.Cleanup(func() { conn.Close() })
	must(t, conn.WriteJSON(map[string]any{"type": "hello", "microphone": microphone, "session": "measuring-by-itself", "sends": "functions"}))
	go func() {
		for {
			var m struct {
				Type string `json:"type"`
				ID   uint32 `json:"id"`
			}
			if conn.ReadJSON(&m) != nil {
				return
			}
			if m.Type != "mark" {
				continue
			}
			var level, phase, coherence []float64
			for _, h := range response() {
				level = append(level, 20*math.Log10(cmplx.Abs(h)))
				phase, coherence = append(phase, cmplx.Phase(h)), append(coherence, 0.9999)
			}
			text, err := json.Marshal(map[string]any{
				"type": "function", "id": m.ID, "freqHz": freqHz, "levelDB": level, "phaseRad": phase, "coherence": coherence, "averages": 200,
			})
			if err != nil || conn.WriteMessage(websocket.TextMessage, text) != nil {
				return
			}
		}
	}()
}

// unheard is a rig and its daemon, with nobody listening yet.
func unheard(t *testing.T) (*rehearsal.Rig, *daemon.Daemon) {
	site := example(t)
	profile, err := configs.OpenProfile(site.Wiring.Profile)
	must(t, err)
	rig, err := rehearsal.Start(context.Background(), rehearsal.Options{Site: site, Seed: 1})
	must(t, err)
	t.Cleanup(rig.Close)
	d, err := daemon.Start(daemon.Options{
		Site: rig.Wired(site), Profiles: []processor.Profile{profile}, Home: home.Folder{Dir: stateFolderFor(t)}, Listen: "127.0.0.1:0",
		ConfirmFor: time.Minute, KeepFor: time.Minute, Session: time.Hour, KeepProven: true,
		Log: slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn})),
	})
	must(t, err)
	t.Cleanup(func() { must(t, d.Stop()) })
	return rig, d
}

// A series whose microphones send functions instead of audio ends as one with
// audio does, and its captures are what was sent.
func TestMicrophonesThatMeasureByThemselves(t *testing.T) {
	site := example(t)
	rig, d := unheard(t)
	lines := site.TestSignal.Lines()
	for _, m := range site.Microphones {
		url := "ws" + strings.TrimPrefix(d.Local(), "http") + daemon.FeedPath
		measuring(t, url, d.AgentToken(), m.Name, func() []complex128 { return rig.Response(m.Role, rig.Settings(), lines) }, lines)
	}
	s := &set{rig: rig, daemon: d}
	if _, err := s.walk(withPatience(t), t.Logf); err != nil {
		t.Fatal(err)
	}
	v := d.View()
	if _, kept := v.State.(control.Kept); !kept || v.Verdict == nil || v.Verdict.Outcome != verify.Proven {
		t.Fatalf("the change ended %#v, %+v", v.State, v.Verdict)
	}
	for _, f := range v.Feeds {
		if !f.Functions || !f.Connected || f.Trouble != "" {
			t.Errorf("feed %+v", f)
		}
	}
	if want := 2 * (1 + len(site.Outputs)); len(v.Captures) != want {
		t.Errorf("%d captures, want %d", len(v.Captures), want)
	}
	for _, c := range v.Captures {
		settings := append([]engine.Setting(nil), v.Sheet.Settings...)
		for i := range settings {
			settings[i].Muted = c.Solo != verify.Everything && c.Solo != settings[i].Output
		}
		truth := rig.Response(c.Role, settings, c.Function.FreqHz)
		for i, f := range c.Function.FreqHz {
			measured := c.Function.H[i] * cmplx.Rect(1, -2*math.Pi*f*(c.DelaySec+c.LatencySec))
			if cmplx.Abs(measured-truth[i]) > 1e-6*cmplx.Abs(truth[i]) {
				t.Fatalf("%s, solo %d, %g Hz: %v, the rig does %v", c.Microphone, c.Solo, f, measured, truth[i])
			}
		}
	}
}
