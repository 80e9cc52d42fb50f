package pages

import (
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/dashboard/access"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
)

func phone(name string) access.Phone {
	return access.Phone{Name: name, Paired: desktest.Time, Heard: desktest.Time.Add(time.Minute)}
}

func sitting(who, holder, from string, silent bool, viewers int) Seat {
	s := Seat{
		Who:      access.Visitor{Phone: phone(who), Operator: who == holder, Until: desktest.Time.Add(time.Hour)},
		Controls: access.Controls{Seq: 3, Since: desktest.Time.Add(2 * time.Minute), From: from, Silent: silent, Viewers: viewers},
	}
	if holder != "" {
		s.Controls.Held, s.Controls.Holder = true, phone(holder)
	}
	return s
}

// Each who looks on or holds the controls, with what is said and what can be pressed.
func TestControlsAreSaidToEverybody(t *testing.T) {
	since, heard := clock(desktest.Time.Add(2*time.Minute)), clock(desktest.Time.Add(time.Minute))
	cases := []struct {
		what      string
		seat      Seat
		takeOver  bool
		says, not []string
	}{
		{"alone", sitting("phone 1", "phone 1", "", false, 0), false,
			[]string{"You hold the controls, as phone 1"}, []string{"look", "took"}},
		{"with others", sitting("phone 1", "phone 1", "", false, 2), false,
			[]string{"You hold the controls, as phone 1", "2 other phones look on."}, []string{"took"}},
		{"after taking over", sitting("phone 2", "phone 2", "phone 1", false, 1), false,
			[]string{"You hold the controls, as phone 2", "You took them over from phone 1 at " + since + ".", "One other phone looks on."}, nil},
		{"looking on", sitting("phone 2", "phone 1", "", false, 1), true,
			[]string{"Phone 1 holds the controls.", "You look on, as phone 2", "Phone 1 paired at " + day(desktest.Time) + " and is heard.", "your presses are refused, all but the safe roll back"}, []string{"other phone", "not heard", "took", "If you lead"}},
		{"one more", sitting("phone 3", "phone 1", "", false, 2), true, []string{"One other phone looks on."}, nil},
		{"the one before", sitting("phone 1", "phone 2", "phone 1", false, 1), true,
			[]string{"Phone 2 holds the controls.", "Phone 2 took them over from you at " + since + "."}, nil},
		{"a third", sitting("phone 3", "phone 2", "phone 1", false, 2), true,
			[]string{"Phone 2 holds the controls.", "It took them over from phone 1 at " + since + "."}, nil},
		{"holder away", sitting("phone 2", "phone 1", "", true, 1), true,
			[]string{"Phone 1 holds the controls, but is not heard since " + heard + ".", "and was heard last at " + day(desktest.Time.Add(time.Minute)) + ".", "If you lead now, take over."}, nil},
		{"nobody", sitting("phone 2", "", "phone 1", false, 1), true,
			[]string{"Nobody holds the controls.", "Phone 1 let go of them, or its pairing ended, at " + since + ".", "If you lead now, take over."}, nil},
	}
	painter := New()
	for _, c := range cases {
		var b strings.Builder
		if err := painter.Write(&b, desktest.View(control.Idle{}), c.seat, All()[0], ""); err != nil {
			t.Fatal(err)
		}
		all := checkOne(t, c.what, b.String())
		i := slices.IndexFunc(all, func(e element) bool { return e.attr["id"] == "controls" })
		for _, want := range c.says {
			if !strings.Contains(all[i].text, want) {
				t.Errorf("%s: no %q in %q", c.what, want, all[i].text)
			}
		}
		for _, not := range c.not {
			if strings.Contains(all[i].text, not) {
				t.Errorf("%s: %q in %q", c.what, not, all[i].text)
			}
		}
		got := actions(all)
		if slices.Contains(got, "/take-over") != c.takeOver || !slices.Contains(got, "/unpair") || !slices.Contains(got, "/safe") {
			t.Errorf("%s: can press %q", c.what, got)
		}
		for _, e := range all {
			if e.attr["id"] == "take-over-button" {
				if _, holds := e.attr["data-hold"]; !holds {
					t.Errorf("%s: a brush of a glove takes over", c.what)
				}
			}
		}
	}
}

func TestPictureFollowsTheControls(t *testing.T) {
	p, v := New(), desktest.View(control.Idle{})
	seat := sitting("phone 2", "phone 1", "", false, 1)
	seq, before, err := p.Paint(v, seat)
	if err != nil || seq != v.Seq+seat.Controls.Seq {
		t.Fatalf("number %d, %v", seq, err)
	}
	seat = sitting("phone 2", "phone 2", "phone 1", false, 1)
	seat.Controls.Seq++
	next, after, err := p.Paint(v, seat)
	if err != nil || next != seq+1 || before["controls"] == after["controls"] {
		t.Errorf("number %d after %d, %v", next, seq, err)
	}
	for id, html := range before {
		if id != "controls" && html != after[id] {
			t.Errorf("part %s differs between visitors", id)
		}
	}
}
