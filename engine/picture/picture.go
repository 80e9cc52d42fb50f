// Package picture draws what the engine worked out: level maps, polar patterns,
// responses, comparisons and stake-out plans, each as PNG or SVG.
//
// Plans are seen from above with the audience at the top, as
// somebody on stage sees it: x runs up, y to the left.
//
// The package is pure: the same input gives the same bytes.
package picture

import "hushback/engine/picture/paper"

// Drawing is a finished picture, written with PNG or SVG.
type Drawing = paper.Drawing
