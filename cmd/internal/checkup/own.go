package checkup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/home"
	"hushback/control/preset"
	"hushback/engine"
)

// daemonFor is how long a daemon on this machine may take to answer.
const daemonFor = 5 * time.Second

// own tests what is this machine's: a daemon that runs, the feeds that it hears,
// the state folder, the port.
func (rig Rig) own(ctx context.Context) []Finding {
	b := &book{about: "daemon"}
	note, left, err := rig.Home.Find()
	if err != nil {
		b.trouble(err.Error(), "stop the daemon and take its note away, or read it as the one who started the daemon")
		return b.found
	}
	if !left {
		b.note("none runs on "+rig.Home.Dir+", so no microphone can be heard yet", "start it with hushback serve, connect the microphones, and check again")
		return append(append(b.found, rig.folder()...), rig.port()...)
	}
	ctx, cancel := context.WithTimeout(ctx, daemonFor)
	defer cancel()
	state, err := note.State(ctx)
	for tries := 0; err == nil && len(state.Feeds) < len(rig.Site.Microphones) && tries < 8; tries++ { // it has just started
		time.Sleep(daemonFor / 20)
		state, err = note.State(ctx)
	}
	switch here := home.Identity(rig.Site, rig.Profiles); {
	case errors.Is(err, home.ErrGone):
		b.trouble(err.Error()+": it was killed", "start it again: it puts back what was under way")
		return append(append(b.found, rig.folder()...), rig.port()...)
	case err != nil:
		b.trouble(err.Error(), "start the daemon again")
		return b.found
	case state.Processor != here:
		b.trouble(fmt.Sprintf("the one that runs is for %s, this site for %s", state.Processor, here), "name the site that the daemon serves, or give this one a --state of its own")
		return b.found
	}
	b.well("runs at " + note.URL + " for " + state.Job)
	if state.Elsewhere != nil {
		b.note(fmt.Sprintf("%d values were changed by somebody else", len(state.Elsewhere)), "look at the page's log: accept them or put them back")
	}
	return append(b.found, microphones(rig.Site, state)...)
}

// microphones says what the running daemon hears.
func microphones(site engine.Site, state desk.Report) []Finding {
	var found []Finding
	for _, m := range site.Microphones {
		b := &book{about: "microphone " + m.Name}
		said := false
		for _, h := range state.Feeds {
			if said = h.Microphone == m.Name; said {
				b.hear(h)
				break
			}
		}
		if !said {
			b.trouble("the daemon does not know it", "start the daemon again with this site")
		}
		found = append(found, b.found...)
	}
	return found
}

// quietDB is the level, dB re full scale, below which an input is most likely
// not connected: some 20 dB above the noise of a 16-bit converter (common
// practice, no published source).
const quietDB = -75

// poorCoherence is what the test signal should reach at a place worth measuring
// (common practice, no published source).
const poorCoherence = 0.8

// hear says what one feed sounds like.
func (b *book) hear(h desk.Hearing) {
	if !h.Connected {
		b.trouble("is not connected", "start its feed: arecord ... | hushback listen --microphone "+fmt.Sprintf("%q", h.Microphone))
		return
	}
	says := "is connected"
	if h.LevelDB != nil {
		says += fmt.Sprintf(", %.1f dB re full scale", *h.LevelDB)
	}
	if h.Coherence != nil {
		says += fmt.Sprintf(", coherence %.2f", *h.Coherence)
	}
	b.well(says)
	if h.Trouble != "" {
		b.trouble(h.Trouble, "look to the recorder and to the network between")
	}
	if h.Clipped {
		b.trouble("clips", "turn its gain down")
	}
	if h.LevelDB != nil && *h.LevelDB < quietDB {
		b.trouble("hardly hears anything", "look to cable, phantom power and the channel that is named")
	}
	if h.Coherence != nil && *h.Coherence < poorCoherence {
		b.note("hears more than the test signal", "play louder, wait for quiet, or find what else sounds")
	}
}

// folder tests the state folder where no daemon has it: whether something can be
// stored there, and whose it is.
func (rig Rig) folder() []Finding {
	b := &book{about: "state folder " + rig.Home.Dir}
	at := rig.Home.Dir
	_, err := os.Stat(at)
	missing := errors.Is(err, fs.ErrNotExist)
	for ; errors.Is(err, fs.ErrNotExist) && filepath.Dir(at) != at; _, err = os.Stat(at) {
		at = filepath.Dir(at)
	}
	// Only trying tells of full disks and read-only file systems.
	trial, err := os.CreateTemp(at, ".hushback-check-")
	if err == nil {
		err = errors.Join(trial.Close(), os.Remove(trial.Name()))
	}
	switch {
	case err != nil:
		b.trouble(err.Error(), "name another with --state, or make this one writable for whom the daemon runs as")
	case missing:
		b.well("is not there yet; it can be made")
	default:
		b.owner(rig)
	}
	return b.found
}

// owner says whose store a folder holds.
func (b *book) owner(rig Rig) {
	path := rig.Home.Store()
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		b.well("can be written; nothing is stored in it yet")
		return
	}
	store, err := preset.Open(path)
	if err != nil {
		b.trouble(err.Error(), "stop whoever holds it; a damaged one is put aside with hushback presets set-aside")
		return
	}
	owner, known, err := store.Owner()
	_, safe, safeErr := store.Get(preset.Safe)
	here := home.Identity(rig.Site, rig.Profiles)
	switch err = errors.Join(err, safeErr, store.Close()); {
	case err != nil:
		b.trouble(err.Error(), "put it aside with hushback presets set-aside")
	case known && owner != here:
		b.trouble("is of "+owner+", not of "+here, "give this site a --state of its own")
	case !safe:
		b.note("can be written; it has no safe preset yet", "store one on the page before the first change")
	default:
		b.well("can be written, is of these processors, and has a safe preset")
	}
}

// port tests whether the page's port is free.
func (rig Rig) port() []Finding {
	b := &book{about: "page " + rig.Listen}
	listener, err := net.Listen("tcp", rig.Listen)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		b.trouble("another program has this port", "stop it, or choose another with --listen; a daemon with another state folder is found with --state")
	case err != nil:
		b.trouble(err.Error(), "choose another address with --listen")
	default:
		listener.Close()
		b.well("is free")
	}
	return b.found
}
