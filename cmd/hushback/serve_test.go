package main

import (
	"bytes"
	"context"
	"testing"
	"testing/synctest"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
)

// The terminal says the words of each dry run as the page does, and where a change
// has come to, each once.
func TestTheTerminalFollows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, states := desktest.New(desktest.View(control.Idle{})), desktest.States()
		ctx, stop := context.WithCancel(t.Context())
		var out bytes.Buffer
		done := make(chan struct{})
		go func() { follow(ctx, &out, d); close(done) }()
		for _, name := range []string{"drafted", "drafted", "sending", "measuring", "kept", "idle"} {
			synctest.Wait()
			d.Show(func(v *desk.View) { v.State = states[name] })
		}
		synctest.Wait()
		stop()
		<-done
		want := "dry run of 16 datagrams waits for a confirm: " + desk.Words(desktest.DryRun().Digest) +
			"\nchange c-0008: sending\nchange c-0008: measuring\nchange c-0008: kept\nidle\n"
		if out.String() != want {
			t.Errorf("the terminal says\n%s\nwant\n%s", out.String(), want)
		}
	})
}
