package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"

	"github.com/spf13/cobra"

	"hushback/cmd/internal/cli"
	"hushback/cmd/internal/pcm"
	"hushback/cmd/internal/printout"
	"hushback/cmd/internal/sound"
	"hushback/configs"
	"hushback/configs/quantity"
	"hushback/engine"
	"hushback/verify/excite"
)

// exciteFlags are the flags of excite as they were typed.
type exciteFlags struct {
	kind, level, fade, length, out string
	format                         pcm.Format
	encoding                       string
	raw, json                      bool
	seed                           uint64
}

func newExcite() *cobra.Command {
	var flags exciteFlags
	c := &cobra.Command{
		Use:   "excite SITE",
		Short: "Write a site's test signal, for any player",
		Long: `Writes a site's test signal as WAV to a file or into a pipe, the same on every
channel: one goes to the processor's input, another back as the reference
channel of the microphones. It begins from nothing and never exceeds its level.

The signal is loud behind the array as well as in front. Keep people away from
the cabinets, begin with the amplifiers low, wear hearing protection. Local
codes come before anything that this program says.

Exit code: 0 over, or stopped; 1 a file is not whole, or the player went away; 2
bad input.`,
		Example: `  hushback excite mysite.yaml | aplay -q -
  hushback excite mysite.yaml --kind noise --level "-30 dB" | aplay -q -
  hushback excite mysite.yaml --for "5 min" --out signal.wav`,
		Args:              cli.Usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
		ValidArgsFunction: cli.CompleteSite,
		RunE: func(c *cobra.Command, args []string) error {
			return excited(c.Context(), args[0], flags, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&flags.kind, "kind", "", "`signal` of the kind multisine, sweep or noise (default the site's own)")
	f.StringVar(&flags.level, "level", "-20 dB", "`level` of the peaks, re full scale; at most -3 dB")
	f.StringVar(&flags.fade, "fade-in", "2 s", "`time` from nothing to that level")
	f.StringVar(&flags.length, "for", "", "`time` to play (default until it is stopped, into a file 60 s)")
	f.StringVar(&flags.out, "out", "", "`file` to write, instead of the standard output")
	f.BoolVar(&flags.raw, "raw", false, "samples without a WAV header")
	f.Uint64Var(&flags.seed, "seed", 1, "`number` from which phases and noise are drawn")
	f.BoolVar(&flags.json, "json", false, "with --out: print one JSON object that says what was written")
	cli.Complete(c, "kind", signalKinds()...)
	addFormat(c, &flags.format, &flags.encoding)
	return c
}

// addFormat declares the flags that say how samples are spelled.
func addFormat(c *cobra.Command, into *pcm.Format, encoding *string) {
	f := c.Flags()
	f.StringVar(encoding, "format", string(pcm.S24), "`spelling` of a sample: s16le, s24le, s32le or f32le")
	f.IntVar(&into.Rate, "rate", engine.SampleRate, "`samples` a second")
	f.IntVar(&into.Channels, "channels", 2, "`number` of channels")
	cli.Complete(c, "format", pcm.Encodings()...)
}

// toldSignal is what was written into a file, as it is printed with --json.
type toldSignal struct {
	File      string            `json:"file"`
	WAV       bool              `json:"wav"`
	Format    pcm.Encoding      `json:"format"`
	Rate      int               `json:"rate"`
	Channels  int               `json:"channels"`
	Seconds   float64           `json:"seconds"`
	Kind      engine.SignalKind `json:"kind"`
	LowHz     float64           `json:"low_hz"`
	HighHz    float64           `json:"high_hz"`
	LevelDB   float64           `json:"level_db"` // of the peaks, re full scale
	FadeInSec float64           `json:"fade_in_s"`
	Seed      uint64            `json:"seed"`
}

// excited writes the signal until it is over, or ctx is.
func excited(ctx context.Context, name string, flags exciteFlags, stdout, stderr io.Writer) error {
	if flags.json && flags.out == "" {
		return cli.Bad(errors.New("--json goes with --out: without it the standard output is the signal's; name a file with --out"))
	}
	site, err := configs.OpenSite(name)
	if err != nil {
		return cli.Bad(err)
	}
	told, err := flags.told(site)
	if err != nil {
		return cli.Bad(err)
	}
	site.TestSignal.Kind = told.Kind
	signal, err := excite.New(site.TestSignal, told.Rate, excite.Options{LevelDB: told.LevelDB, FadeInSec: told.FadeInSec, Seed: told.Seed})
	if err != nil {
		return cli.Bad(err)
	}
	w, done, err := destination(flags.out, stdout)
	if err != nil {
		return err
	}
	doing, frames := "playing", int64(-1)
	if told.Seconds > 0 {
		frames = int64(math.Round(told.Seconds * float64(told.Rate)))
	}
	if flags.out != "" {
		doing = "writing"
	}
	fmt.Fprintf(stderr, "%s a %s from %g to %g Hz, peaks at %g dB re full scale, %d samples a second\n",
		doing, told.Kind, told.LowHz, told.HighHz, told.LevelDB, told.Rate)
	fmt.Fprintln(stderr, "caution: this is loud behind the array too. Keep people away from the cabinets, begin with the amplifiers low, wear hearing protection; local codes come first")
	format := pcm.Format{Encoding: told.Format, Rate: told.Rate, Channels: told.Channels}
	if flags.out == "" {
		if err := sound.Pour(ctx, w, signal, format, frames, flags.raw); err != nil {
			return fmt.Errorf("the player takes no more: %w: start both again", err)
		}
		return nil
	}
	seen := cli.NewProgress(stderr)
	err = sound.Pour(ctx, &watched{Writer: w, seen: seen, aSecond: int64(format.Rate * format.Channels * format.Encoding.Bytes()), of: int64(told.Seconds)}, signal, format, frames, flags.raw)
	seen.Clear()
	switch err = errors.Join(err, done()); {
	case err != nil:
		return fmt.Errorf("%s is not whole: %w", flags.out, err)
	case ctx.Err() != nil:
		return fmt.Errorf("%s is not whole: interrupted: write it again", flags.out)
	case flags.json:
		return printout.JSON(stdout, told)
	}
	return nil
}

// told reads the flags as far as they are text, and what they leave to the site.
func (flags exciteFlags) told(site engine.Site) (toldSignal, error) {
	told := toldSignal{
		File: flags.out, WAV: !flags.raw, Format: pcm.Encoding(flags.encoding), Rate: flags.format.Rate, Channels: flags.format.Channels, Seed: flags.seed,
		Kind: cmp.Or(engine.SignalKind(flags.kind), site.TestSignal.Kind, engine.SignalMultisine), LowHz: site.TestSignal.Band.LowHz, HighHz: site.TestSignal.Band.HighHz,
	}
	if err := (pcm.Format{Encoding: told.Format, Rate: told.Rate, Channels: told.Channels}).Check(); err != nil {
		return told, fmt.Errorf("--format, --rate, --channels: %w", err)
	}
	if !slices.Contains(signalKinds(), told.Kind) {
		return told, fmt.Errorf("--kind: got %q, want multisine, sweep or noise", flags.kind)
	}
	var errLevel, errFade, errLength error
	told.LevelDB, errLevel = cli.QuantityOf("--level", flags.level, quantity.Level())
	told.FadeInSec, errFade = cli.TimeOf("--fade-in", flags.fade)
	switch {
	case flags.length != "":
		told.Seconds, errLength = cli.TimeOf("--for", flags.length)
		if errLength == nil && !(told.Seconds > 0) {
			errLength = fmt.Errorf("--for: got %q, want more than nothing", flags.length)
		}
	case flags.out != "":
		told.Seconds = 60
	}
	return told, errors.Join(errLevel, errFade, errLength)
}

func signalKinds() []engine.SignalKind {
	return []engine.SignalKind{engine.SignalMultisine, engine.SignalSweep, engine.SignalNoise}
}

// watched is a file that fills while somebody looks on.
type watched struct {
	io.Writer
	seen        *cli.Progress
	bytes       int64
	aSecond, of int64 // bytes, seconds
}

func (w *watched) Write(b []byte) (int, error) {
	n, err := w.Writer.Write(b)
	w.bytes += int64(n)
	w.seen.Show("writing seconds", int(w.bytes/w.aSecond), int(w.of))
	return n, err
}

// destination is where the signal goes. A terminal is none for sound.
func destination(out string, stdout io.Writer) (io.Writer, func() error, error) {
	if out != "" {
		f, err := os.Create(out)
		if err != nil {
			return nil, nil, cli.Bad(fmt.Errorf("--out: %w", err))
		}
		return f, f.Close, nil
	}
	if cli.IsTerminal(stdout) {
		return nil, nil, cli.Bad(errors.New("this would fill the terminal with samples: pipe it into a player, or name a file with --out"))
	}
	return stdout, func() error { return nil }, nil
}
