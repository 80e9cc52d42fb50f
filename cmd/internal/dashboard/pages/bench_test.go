package pages

import (
	"testing"

	"hushback/cmd/internal/desk/desktest"
)

// BenchmarkPaint is what fifty phones want of one new picture.
func BenchmarkPaint(b *testing.B) {
	seat := sitting("phone 2", "phone 1", "", false, 1)
	p, v := New(), desktest.View(desktest.States()["held"])
	for b.Loop() {
		v.Seq++
		for range 50 {
			if _, _, err := p.Paint(v, seat); err != nil {
				b.Fatal(err)
			}
		}
	}
}
