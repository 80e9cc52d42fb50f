package main

import (
	"io"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// verbs are all commands with a life of their own, the program itself among them.
func verbs(c *cobra.Command) []*cobra.Command {
	all := []*cobra.Command{c}
	for _, sub := range c.Commands() {
		if sub.Name() != "help" && sub.Name() != "completion" {
			all = append(all, verbs(sub)...)
		}
	}
	return all
}

// typed is a line of an example as a shell would take it apart: the commands of ours
// in it, word by word. What stands behind two spaces explains it.
func typed(line string) (commands [][]string) {
	for part := range strings.SplitSeq(line, "|") {
		part, _, _ = strings.Cut(strings.TrimSpace(part), "  ")
		if !strings.HasPrefix(part, "hushback") {
			continue
		}
		words := regexp.MustCompile(`"[^"]*"|\S+`).FindAllString(part, -1)
		for i := range words {
			words[i] = strings.Trim(words[i], `"`)
		}
		commands = append(commands, words[1:])
	}
	return commands
}

// The help of every verb says in one spelling how it can end, has examples that could
// be typed as they stand, and fits a screen of 80 columns.
func TestHelpOfEveryVerb(t *testing.T) {
	exit := regexp.MustCompile(`(?s)\n\nExit code: 0 [^;]+; 1 [^;]+;\s2[^;.]+\.$`)
	all := verbs(newRoot())
	if len(all) < 19 {
		t.Fatalf("%d commands", len(all))
	}
	for _, c := range all {
		if !exit.MatchString(c.Long) {
			t.Errorf("%s does not say how it can end:\n%s", c.CommandPath(), c.Long)
		}
		if strings.TrimSpace(c.Short) == "" || strings.HasSuffix(c.Short, ".") {
			t.Errorf("%s in short is %q", c.CommandPath(), c.Short)
		}
		for line := range strings.Lines(c.Long + "\n" + strings.Replace(c.UsageString(), c.Example, "", 1)) {
			if n := len([]rune(strings.TrimSuffix(line, "\n"))); n > 80 {
				t.Errorf("%s has a line of %d letters: %s", c.CommandPath(), n, line)
			}
		}
		commands := 0
		for line := range strings.Lines(c.Example) {
			for _, words := range typed(line) {
				commands++
				root := newRoot()
				root.SetErr(io.Discard)
				verb, rest, err := root.Find(words)
				if err == nil {
					err = verb.ParseFlags(rest)
				}
				if err == nil && verb.Args != nil {
					err = verb.Args(verb, verb.Flags().Args())
				}
				if err != nil || !strings.HasPrefix(verb.CommandPath(), c.CommandPath()) {
					t.Errorf("%s: its example %q is for %q, %v", c.CommandPath(), words, verb.CommandPath(), err)
				}
			}
		}
		if commands == 0 {
			t.Errorf("%s has no example", c.CommandPath())
		}
	}
}
