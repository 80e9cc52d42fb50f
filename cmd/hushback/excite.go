package main

import (
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
	raw                            bool
	seed                           uint64
}

func newExcite() *cobra.Command {
	var flags exciteFlags
	c := &cobra.Command{
		Use:   "excite SITE",
		Short: "Write a site's test signal, for any player",
		Long: `Writes a site's test signal as WAV to a file or into a pipe, the same on every
channel: one goes to the processor's input, another back as the reference channel of
the microphones. It begins from nothing and never exceeds its level.

The signal is loud behind the array as well as in front. Keep people away from the
cabinets, begin with the amplifiers low, wear hearing protection. Local codes come
before anything that this program says.`,
		Example: `  hushback excite mysite.yaml | aplay -q -
  hushback excite mysite.yaml --for "5 min" --out signal.wav`,
		Args: cli.Usage(cobra.ExactArgs(1), "name one site: a file, or an example such as ottersedge"),
		RunE: func(c *cobra.Command, args []string) error {
			return excited(c.Context(), args[0], flags, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&flags.kind, "kind", "", "multisine, sweep or noise, instead of the site's own")
	f.StringVar(&flags.level, "level", "-20 dB", "`level` of the peaks, re full scale; at most -3 dB")
	f.StringVar(&flags.fade, "fade-in", "2 s", "`time` from nothing to that level")
	f.StringVar(&flags.length, "for", "", "`time` to play; without it until it is stopped, or 60 s into a file")
	f.StringVar(&flags.out, "out", "", "`file` to write, instead of the standard output")
	f.BoolVar(&flags.raw, "raw", false, "samples without a WAV header")
	f.Uint64Var(&flags.seed, "seed", 1, "`number` from which phases and noise are drawn")
	addFormat(c, &flags.format, &flags.encoding)
	return c
}

// addFormat declares the flags that say how samples are spelled.
func addFormat(c *cobra.Command, into *pcm.Format, encoding *string) {
	f := c.Flags()
	f.StringVar(encoding, "format", string(pcm.S24), "how a sample is spelled: s16le, s24le, s32le or f32le")
	f.IntVar(&into.Rate, "rate", engine.SampleRate, "samples a `second`")
	f.IntVar(&into.Channels, "channels", 2, "`number` of channels")
}

// excited writes the signal until it is over, or ctx is.
func excited(ctx context.Context, name string, flags exciteFlags, stdout, stderr io.Writer) error {
	site, err := configs.OpenSite(name)
	if err != nil {
		return cli.Bad(err)
	}
	format := flags.format
	format.Encoding = pcm.Encoding(flags.encoding)
	if err := format.Check(); err != nil {
		return cli.Bad(err)
	}
	kinds := []engine.SignalKind{engine.SignalMultisine, engine.SignalSweep, engine.SignalNoise}
	if flags.kind != "" {
		if site.TestSignal.Kind = engine.SignalKind(flags.kind); !slices.Contains(kinds, site.TestSignal.Kind) {
			return cli.Bad(fmt.Errorf("--kind: got %q, want one of %v", flags.kind, kinds))
		}
	}
	level, errLevel := cli.QuantityOf("--level", flags.level, quantity.Level())
	fade, errFade := cli.TimeOf("--fade-in", flags.fade)
	frames, errLength := framesOf(flags, format.Rate)
	if err := errors.Join(errLevel, errFade, errLength); err != nil {
		return cli.Bad(err)
	}
	signal, err := excite.New(site.TestSignal, format.Rate, excite.Options{LevelDB: level, FadeInSec: fade, Seed: flags.seed})
	if err != nil {
		return cli.Bad(err)
	}
	w, done, err := destination(flags.out, stdout)
	if err != nil {
		return err
	}
	kind := site.TestSignal.Kind
	if kind == "" {
		kind = engine.SignalMultisine
	}
	fmt.Fprintf(stderr, "playing a %s from %g to %g Hz, peaks at %g dB re full scale, %d samples a second\n",
		kind, site.TestSignal.Band.LowHz, site.TestSignal.Band.HighHz, level, format.Rate)
	fmt.Fprintln(stderr, "caution: this is loud behind the array too. Keep people away from the cabinets, begin with the amplifiers low, wear hearing protection; local codes come first")
	return errors.Join(sound.Pour(ctx, w, signal, format, frames, flags.raw), done())
}

// framesOf is how many frames are wanted; less than 0 if nobody said when to stop.
func framesOf(flags exciteFlags, rate int) (int64, error) {
	if flags.length == "" {
		if flags.out == "" {
			return -1, nil
		}
		return 60 * int64(rate), nil
	}
	seconds, err := cli.TimeOf("--for", flags.length)
	if err == nil && !(seconds > 0) {
		err = cli.Bad(fmt.Errorf("--for: got %q, want more than nothing", flags.length))
	}
	return int64(math.Round(seconds * float64(rate))), err
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
	if f, ok := stdout.(*os.File); ok {
		if about, err := f.Stat(); err == nil && about.Mode()&os.ModeCharDevice != 0 {
			return nil, nil, cli.Bad(errors.New("this would fill the terminal with samples: pipe it into a player, or name a file with --out"))
		}
	}
	return stdout, func() error { return nil }, nil
}
