package cli

import (
	"fmt"
	"io"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/doors"
	"hushback/cmd/internal/printout"
)

// Welcome is what a daemon that listens has to say, as it is printed with --json.
type Welcome struct {
	Job         string   `json:"job"`
	Rehearsal   *Staged  `json:"rehearsal"` // null of a real rig
	Processor   string   `json:"processor"`
	Page        string   `json:"page"`
	PairingCode string   `json:"pairing_code"`
	Link        string   `json:"link"`               // both in one
	Certificate string   `json:"certificate_sha256"` // "" without TLS
	Key         string   `json:"key_sha256"`
	State       string   `json:"state"`  // the folder, in which daemon.json tells programs of this machine how to come in
	Broken      []string `json:"broken"` // what is wrong with the site file, with its place there
	Notice      string   `json:"notice"` // what the operator must know

	Door doors.Invitation `json:"-"`
}

// Staged says how a rig was put up.
type Staged struct {
	Seed  uint64 `json:"seed"`
	Fault string `json:"fault"`
}

// AddWelcome declares the flags that say how it is told.
func AddWelcome(c *cobra.Command, json string) {
	c.Flags().Bool("json", false, json)
	c.Flags().Bool("qr", false, "draw the page's address and code for a camera even where no terminal reads along")
}

// WelcomeTo is what a daemon has to say.
func WelcomeTo(d *daemon.Daemon, state string) Welcome {
	v := d.View()
	return Welcome{Job: v.Site.Job, Processor: v.Processor, Notice: v.Notice, State: state,
		Door: doors.Invitation{URL: d.URL(), Code: d.Code(), Identity: d.Identity()}}
}

// Outlive has writing to whoever no longer reads be an error like any other. Without
// it a reader of the standard output that goes away would end a daemon on the spot,
// perhaps in the middle of a change.
func Outlive() { signal.Ignore(syscall.SIGPIPE) }

// Say says it once, and returns where to say how it goes on: nowhere for programs.
func (s Welcome) Say(c *cobra.Command) (io.Writer, error) {
	w := c.OutOrStdout()
	if asJSON, _ := c.Flags().GetBool("json"); asJSON {
		s.Page, s.PairingCode, s.Link = s.Door.URL+"/", s.Door.Code, doors.Link(s.Door.URL, s.Door.Code)
		if s.Door.Identity != nil {
			s.Certificate, s.Key = s.Door.Identity.Fingerprints()
		}
		s.Broken = append([]string{}, s.Broken...)
		return io.Discard, printout.JSON(w, s)
	}
	if len(s.Broken) > 0 {
		fmt.Fprintln(w, "the site file needs mending:\n"+strings.Join(s.Broken, "\n"))
		s.invite(c)
		fmt.Fprintln(w, "ready to show this and to go back to safe; Ctrl-C stops; mend the file, then start again")
		return w, nil
	}
	if s.Rehearsal != nil {
		fmt.Fprintf(w, "rehearsal     %s\nrig           emulated, seed %d, %s\n", s.Job, s.Rehearsal.Seed, s.Rehearsal.Fault)
	}
	fmt.Fprintf(w, "processor     %s\n", s.Processor)
	s.invite(c)
	fmt.Fprintln(w, "caution       loudness, stacked cabinets and mains power hurt people: local codes and licensed practice come first")
	if s.Notice != "" {
		fmt.Fprintf(w, "notice        %s\n", s.Notice)
	}
	fmt.Fprintln(w, "ready; Ctrl-C stops, and rolls back a change in flight first")
	return w, nil
}

// invite says how to come in, with a drawing for cameras where somebody may see it.
func (s Welcome) invite(c *cobra.Command) {
	asked, _ := c.Flags().GetBool("qr")
	s.Door.Draw = asked || coloured(c.OutOrStdout()) // a camera needs the code's own black and white
	s.Door.Write(c.OutOrStdout())
}
