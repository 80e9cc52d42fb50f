// Package archtest holds the house to its plan: which package may import
// which, how long things may grow, and a few habits that keep state where it
// can be found. Only its tests run it.
package archtest

import (
	"fmt"
	"slices"
	"strings"
)

// Module is the import path that all of hushback's packages start with.
const Module = "hushback"

// arrows says which of hushback's own packages a package may import, by path
// below the module. "x/..." stands for x and everything below it. What is not
// listed is forbidden, so a new package needs a line here and a reason.
func arrows() map[string][]string {
	return map[string][]string{
		"engine":                {},
		"engine/air":            {"engine"},
		"engine/field":          {"engine", "engine/air"},
		"engine/band":           {"engine", "engine/field"},
		"engine/layout":         {"engine", "engine/air"},
		"engine/coverage":       {"engine", "engine/air", "engine/field", "engine/layout"},
		"engine/array":          {"engine"},
		"engine/response":       {"engine", "engine/field"},
		"engine/optimise":       {"engine/optimise/forms"},
		"engine/optimise/forms": {},
		"engine/solve":          {"engine", "engine/air", "engine/field", "engine/optimise"},
		"engine/tolerance":      {"engine", "engine/air", "engine/field", "engine/solve"},
		"engine/design/places":  {"engine", "engine/array", "engine/field", "engine/response"},
		"engine/design":         {"engine/design/places", "engine", "engine/air", "engine/band", "engine/field", "engine/layout", "engine/coverage", "engine/solve", "engine/array", "engine/response"},
		"engine/picture/paper":  {},
		"engine/picture":        {"engine", "engine/band", "engine/field", "engine/coverage", "engine/design", "engine/picture/paper"},
		"control/osc":           {},
		"control/processor":     {"engine", "control/osc"},
		"control/preset":        {"engine"},
		"control/wire":          {"engine", "control/osc", "control/processor"},
		"control":               {"engine", "control/processor", "control/preset", "control/wire"},
		"verify/transfer":       {"engine"},
		"verify":                {"engine", "engine/field", "verify/transfer"},
		"verify/feed/protocol":  {"verify/transfer"},
		"verify/feed/agent":     {"verify/feed/protocol"},
		"verify/feed":           {"verify/feed/protocol", "verify/transfer"},
		"verify/excite":         {"engine"},
		"verify/source":         {"verify/transfer"},
		"verify/diagnose/model": {"engine", "engine/field", "verify", "verify/transfer"},
		"verify/diagnose":       {"engine", "verify", "verify/diagnose/model"},
		"verify/correct":        {"engine", "engine/air", "engine/field", "engine/optimise", "engine/solve", "verify", "verify/transfer"},
		"configs/quantity":      {},
		"configs/document":      {"configs/quantity", "engine"},
		"configs":               {"configs/document", "configs/quantity", "engine", "engine/layout", "control/osc", "control/processor", "verify", "verify/source"},

		"cmd/internal/dossier":          {"engine", "control", "control/preset", "verify", "verify/correct", "verify/diagnose"},
		"cmd/internal/figures":          {"engine", "verify", "verify/transfer"},
		"cmd/internal/desk":             {"cmd/internal/dossier", "control/processor", "cmd/internal/figures", "engine", "engine/tolerance", "control", "control/preset", "verify", "verify/correct", "verify/diagnose", "cmd/internal/whatif"},
		"cmd/internal/desk/desktest":    {"cmd/internal/desk", "cmd/internal/dossier", "engine", "control", "control/osc", "control/preset", "control/processor", "verify", "verify/correct", "verify/diagnose", "cmd/internal/whatif"},
		"cmd/internal/home":             {"cmd/internal/desk", "control", "control/processor", "engine"},
		"cmd/internal/watching":         {"cmd/internal/desk", "control", "control/wire", "verify"},
		"cmd/internal/checkup":          {"cmd/internal/desk", "cmd/internal/home", "control/osc", "control/preset", "control/processor", "engine"},
		"cmd/internal/dashboard/access": {},
		"cmd/internal/dashboard/tryout": {"cmd/internal/desk", "cmd/internal/whatif", "cmd/internal/figures", "engine", "engine/picture/paper"},
		"cmd/internal/dashboard/pages":  {"cmd/internal/desk", "cmd/internal/dossier", "engine/tolerance", "cmd/internal/dashboard/access", "cmd/internal/figures", "engine", "control", "control/preset", "control/processor", "control/osc", "verify", "verify/transfer", "cmd/internal/dashboard/tryout"},
		"cmd/internal/dashboard":        {"cmd/internal/desk", "cmd/internal/dossier", "cmd/internal/dashboard/access", "cmd/internal/dashboard/pages", "cmd/internal/figures", "control", "control/preset", "cmd/internal/dashboard/tryout"},
		"cmd/internal/doors":            {},
		"cmd/internal/emulated":         {"engine", "control/osc"},
		"cmd/internal/rehearsal":        {"engine/...", "control/osc", "verify/feed/agent", "verify/feed/protocol", "cmd/internal/emulated"},
		"cmd/internal/daemon":           {"engine/...", "control/...", "verify/...", "configs", "cmd/internal/desk", "cmd/internal/dossier", "cmd/internal/home", "cmd/internal/dashboard", "cmd/internal/dashboard/access", "cmd/internal/doors", "cmd/internal/watching", "cmd/internal/whatif"},
		"cmd/internal/printout":         {"engine/...", "control", "control/preset", "verify", "cmd/internal/desk", "cmd/internal/figures"},
		"cmd/internal/report/folio":     {},
		"cmd/internal/report":           {"engine", "engine/air", "engine/design", "engine/picture", "engine/picture/paper", "engine/solve", "engine/tolerance", "control/preset", "control/processor", "verify", "configs", "cmd/internal/figures", "cmd/internal/desk", "cmd/internal/dossier", "cmd/internal/home", "cmd/internal/planning", "cmd/internal/printout", "cmd/internal/report/folio"},
		"cmd/internal/planning":         {"engine/...", "configs", "cmd/internal/cli", "cmd/internal/printout"},
		"cmd/internal/shelf":            {"cmd/internal/cli", "cmd/internal/daemon", "cmd/internal/home", "cmd/internal/printout", "control/preset"},
		"cmd/internal/pcm":              {},
		"cmd/internal/mending":          {"configs", "control", "control/preset", "control/processor", "engine", "cmd/internal/daemon", "cmd/internal/dashboard", "cmd/internal/dashboard/access", "cmd/internal/desk", "cmd/internal/doors", "cmd/internal/dossier", "cmd/internal/home", "cmd/internal/whatif"},
		"cmd/internal/cli":              {"cmd/internal/home", "cmd/internal/daemon", "cmd/internal/doors", "cmd/internal/printout", "configs/...", "control/processor", "engine", "cmd/internal/whatif"},
		"cmd/internal/sound":            {"cmd/internal/pcm", "verify/excite", "verify/feed/agent", "verify/feed/protocol"},
		"cmd/internal/whatif":           {"engine/..."},
		"cmd/internal/archtest":         {},
		"cmd/hushback":                  {"engine/...", "control/...", "verify/...", "configs", "cmd/internal/checkup", "cmd/internal/cli", "cmd/internal/daemon", "cmd/internal/dashboard/pages", "cmd/internal/figures", "cmd/internal/desk", "cmd/internal/desk/desktest", "cmd/internal/doors", "cmd/internal/dossier", "cmd/internal/home", "cmd/internal/mending", "cmd/internal/emulated", "cmd/internal/pcm", "cmd/internal/planning", "cmd/internal/printout", "cmd/internal/rehearsal", "cmd/internal/report", "cmd/internal/report/folio", "cmd/internal/shelf", "cmd/internal/sound", "configs/..."},
	}
}

// Forbidden lists the imports of pkg (a path below the module) that the plan
// does not allow, each as a sentence.
func Forbidden(pkg string, imports []string) []string {
	allowed, known := arrows()[pkg]
	if !known {
		return []string{fmt.Sprintf("%s is not in the plan: add it to arrows with what it may import", pkg)}
	}
	var bad []string
	for _, path := range imports {
		own, found := strings.CutPrefix(path, Module+"/")
		if found && !slices.ContainsFunc(allowed, func(rule string) bool { return covers(rule, own) }) {
			bad = append(bad, fmt.Sprintf("%s imports %s, which the plan does not allow", pkg, own))
		}
	}
	return bad
}

// covers reports whether an arrow rule names path.
func covers(rule, path string) bool {
	tree, below := strings.CutSuffix(rule, "/...")
	return path == rule || below && (path == tree || strings.HasPrefix(path, tree+"/"))
}
