package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"hushback/verify/diagnose"
)

const tutorials = "../../configs/tutorials"

// Each tutorial is followed from its first line to its last.
func TestTutorials(t *testing.T) {
	texts, err := filepath.Glob(tutorials + "/*.md")
	if err != nil || len(texts) < 5 {
		t.Fatalf("tutorials %v, %v; want at least 5", texts, err)
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range texts {
		if name := filepath.Base(text); !strings.Contains(string(readme), "(configs/tutorials/"+name+")") {
			t.Errorf("the README does not point to %s", name)
		}
	}
	for _, text := range texts {
		t.Run(filepath.Base(text), func(t *testing.T) {
			if filepath.Base(text) != "adjustable-arc.md" { // which waits for nothing and takes the processor from those that do
				t.Parallel()
			}
			newReader(t, text).follow()
		})
	}
}

// What the texts mention in passing are commands and flags that there are.
func TestCommandsInPassing(t *testing.T) {
	texts, err := filepath.Glob(tutorials + "/*.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range append(texts, "../../README.md", "../../DEVELOPERS.md") {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, span := range regexp.MustCompile("`(?:[^`\n]*\\| )?hushback ([a-z][^`\n|]*)").FindAllStringSubmatch(string(text), -1) {
			words := strings.Fields(span[1])
			root := newRoot()
			root.InitDefaultCompletionCmd()
			command, rest, err := root.Find(words)
			if err != nil || command.Name() == "hushback" {
				t.Errorf("%s: `hushback %s`: there is no such command (%v)", path, span[1], err)
				continue
			}
			for _, word := range rest {
				name, _, _ := strings.Cut(strings.TrimPrefix(word, "--"), "=")
				if strings.HasPrefix(word, "--") && name != "help" && command.Flags().Lookup(name) == nil && command.InheritedFlags().Lookup(name) == nil {
					t.Errorf("%s: `hushback %s`: there is no --%s", path, span[1], name)
				}
			}
		}
	}
}

// What to do about a verdict is told of everything that a verdict can say.
func TestEveryCauseHasItsCure(t *testing.T) {
	text, err := os.ReadFile(tutorials + "/verdicts.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := []string{"**proven**", "**refuted**", "**undecided**", "**adrift**",
		"null depth", "null frequency", "sum in front", "signal", "level match behind", "phase match in front", "whole equals parts", "microphones alike", "output N heard", "output N in time"}
	for _, kind := range []diagnose.Kind{
		diagnose.Polarity, diagnose.Swapped, diagnose.Dead, diagnose.Delay, diagnose.DelayUnit, diagnose.Position, diagnose.Level, diagnose.Temperature,
		diagnose.Misplaced, diagnose.Exchanged, diagnose.Inverted, diagnose.Reference, diagnose.Limiter, diagnose.Noise, diagnose.Unexplained,
	} {
		rows = append(rows, string(kind))
	}
	for _, row := range rows {
		if !strings.Contains(string(text), "\n| "+row+" | ") {
			t.Errorf("no row tells of %s", row)
		}
	}
}
