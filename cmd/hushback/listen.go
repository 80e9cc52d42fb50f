package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/home"
	"hushback/cmd/internal/pcm"
	"hushback/cmd/internal/printout"
	"hushback/cmd/internal/sound"
)

func newListen() *cobra.Command {
	var l sound.Listening
	var state, file, tokenFile, latency, encoding string
	var asJSON bool
	c := &cobra.Command{
		Use:   "listen",
		Short: "Carry a recorder's two channels to the daemon",
		Long: `Reads what a recorder writes, as WAV or as bare samples, and carries two of its
channels to the daemon: the reference, which is the signal that the processor
gets, taken before it; and the microphone. One listen runs beside each
microphone; if there is only one microphone, it calls itself "moved" and the
page says where to put it.

On the daemon's machine it finds the daemon by itself. Elsewhere name its
address with --server, and give the token that stands in daemon.json in the
daemon's state folder as ` + cli.TokenVariable + ` or in a file. Of a WAV the header says
format, rate and channels; of bare samples the flags do.

Exit code: 0 the recording ended, or was stopped; 1 it broke off, or the daemon
took none of it; 2 bad input.`,
		Example: `  arecord -q -t wav -f S24_3LE -r 48000 -c 2 | hushback listen --microphone "stage door"
  arecord -q -t raw -f S32_LE -r 48000 -c 2 |
    hushback listen --microphone moved --format s32le --server 192.0.2.10:8470 --token-file token
  hushback listen --microphone alley --file evening.wav`,
		Args: cli.Usage(cobra.NoArgs, "give flags only"),
		RunE: func(c *cobra.Command, _ []string) error {
			if l.Microphone == "" {
				return cli.Bad(errors.New("--microphone: name the microphone as the site does, or moved"))
			}
			var err error
			if l.LatencySec, err = cli.TimeOf("--latency", latency); err != nil {
				return err
			}
			if l.URL, l.Token, err = whereTo(home.Folder{Dir: state}, l.URL, tokenFile); err != nil {
				return err
			}
			l.Raw.Encoding, l.In = pcm.Encoding(encoding), c.InOrStdin()
			if file != "" {
				f, err := os.Open(file)
				if err != nil {
					return cli.Bad(fmt.Errorf("--file: %w", err))
				}
				defer f.Close()
				l.In, l.Paced = f, true
			}
			l.Say = func(s sound.Level) { sayLevel(c.ErrOrStderr(), s) }
			return listen(c.Context(), l, asJSON, c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.StringVar(&l.Microphone, "microphone", "", "`name` of the microphone in the site, or moved (must be given)")
	f.StringVar(&l.URL, "server", "", "`host:port` of the daemon's page (default the daemon on this machine)")
	f.StringVar(&tokenFile, "token-file", "", "`file` with the daemon's token")
	f.StringVar(&state, "state", home.Default(), "`folder` that tells of the daemon on this machine")
	f.StringVar(&file, "file", "", "`file` to play at its own pace, instead of the standard input")
	f.StringVar(&latency, "latency", "200 ms", "`time` that the recorder's samples take to get here, at most")
	f.IntVar(&l.Reference, "reference-channel", 1, "`channel` of the reference, counted from 1")
	f.IntVar(&l.Heard, "microphone-channel", 2, "`channel` of the microphone, counted from 1")
	f.BoolVar(&asJSON, "json", false, "print one JSON object at the end that says what was carried")
	cli.CompleteBy(c, "microphone", cli.CompleteMicrophone(&state))
	addFormat(c, &l.Raw, &encoding)
	return c
}

// toldListening is what a listening came to, as it is printed with --json.
type toldListening struct {
	Microphone string `json:"microphone"`
	Rate       int    `json:"rate"`
	Frames     int64  `json:"frames"`      // that the recorder gave, a sample of each channel
	Lost       uint64 `json:"lost_frames"` // of them, that the daemon did not get
	Resumes    int    `json:"resumes"`     // connections that were made again
	Trouble    string `json:"trouble"`     // what was wrong with the connection at the end
}

// listen carries until the recording ends or ctx does, and says what came of it.
func listen(ctx context.Context, l sound.Listening, asJSON bool, stdout io.Writer) error {
	carried, err := sound.Listen(ctx, l)
	if err == nil && carried.Times == 0 && carried.Frames > 0 {
		err = fmt.Errorf("the daemon took none of %d frames: %s: see to that, then record again", carried.Frames, carried.Trouble)
	}
	if carried.Rate == 0 && !errors.Is(err, pcm.ErrSilent) { // it never began
		return cli.Bad(err)
	}
	if !asJSON || carried.Rate == 0 {
		return err
	}
	told := toldListening{
		Microphone: l.Microphone, Rate: carried.Rate, Frames: carried.Frames, Lost: carried.Lost, Resumes: max(0, carried.Times-1), Trouble: carried.Trouble,
	}
	return errors.Join(printout.JSON(stdout, told), err)
}

// whereTo is the daemon's feed and the token that it wants.
func whereTo(folder home.Folder, server, tokenFile string) (url, token string, err error) {
	token = os.Getenv(cli.TokenVariable)
	if tokenFile != "" {
		text, err := os.ReadFile(tokenFile)
		if err != nil {
			return "", "", cli.Bad(fmt.Errorf("--token-file: %w", err))
		}
		token = strings.TrimSpace(string(text))
	}
	if server != "" {
		if err := cli.Address("--server", server, "192.0.2.10:8470"); err != nil {
			return "", "", err
		}
		if token == "" {
			return "", "", cli.Bad(fmt.Errorf("no token for %s: give it with --token-file or as %s; it stands in daemon.json in the daemon's state folder", server, cli.TokenVariable))
		}
		return "ws://" + server + daemon.FeedPath, token, nil
	}
	note, running, err := folder.Find()
	if err != nil {
		return "", "", err
	}
	if !running {
		return "", "", cli.Bad(fmt.Errorf("no daemon runs on %s: start one, or name it with --server", folder.Dir))
	}
	return "ws" + strings.TrimPrefix(note.URL, "http") + daemon.FeedPath, note.Token, nil
}

// sayLevel is one line a second.
func sayLevel(w io.Writer, l sound.Level) {
	how := "connected"
	if !l.Connected {
		how = "not connected: " + l.Trouble
	}
	if l.Lost > 0 {
		how += fmt.Sprintf("; %d frames lost while it was not", l.Lost)
	}
	if l.Clipped {
		how += "; CLIPPED: turn the input down"
	}
	fmt.Fprintf(w, "reference %5.1f dB, microphone %5.1f dB, %s\n", l.ReferenceDB, l.HeardDB, how)
}
