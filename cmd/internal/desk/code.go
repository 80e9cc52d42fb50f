package desk

import (
	"encoding/hex"
	"strings"
)

// codeWords are 256 plain words, one for each value of a byte, no two alike in
// their first three letters.
const codeWords = `
	acorn album alley amber angle apple apron arrow atlas attic autumn axle bacon badge baker bamboo banjo barn
	basket beach bench berry birch blanket blue board bonnet bottle bridge broom brush bucket butter cabin cactus
	camel canoe carpet castle cedar cello chalk cherry chimney cider circle clay cloud coffee comet copper coral
	cotton crane cricket crown cup curtain daisy dance dawn desk diamond dinner dolphin donkey door dragon drum
	duck dune dust eagle early east echo elbow elder elm ember engine evening fabric falcon feather fence fern
	fiddle field finger flag flute forest fossil fox frost fruit gallery garden gate giant ginger glass glove
	goat golden granite green guitar hammer harbour hat hazel heron hill hollow honey horn hotel house hut igloo
	ink iron island ivory ivy jacket jelly jewel jungle kettle kitchen knee ladder lake lamp lantern lemon letter
	lilac linen lion lizard lobster lotus lunch magnet mango maple marble meadow melon milk mint mirror monkey
	moss motor music napkin needle nest noodle north nutmeg oak oasis ocean olive onion orange orchard otter oven
	owl oyster paddle paint panda paper parrot peach pebble pencil pepper piano pillow pine planet plum pocket
	pond poppy potato puddle pumpkin quarry quilt rabbit radio raft rain ribbon river robin rocket rope ruby
	saddle salt sand school shovel silver sister sparrow spoon spring stable stone summer sunset swan table
	tailor tent thumb tiger timber toast tomato tower tractor trumpet tulip tunnel turtle umbrella uncle valley
	velvet village violin wagon walnut water west wheat willow window wolf wool yellow zebra zero`

// Words is a digest as three plain words, its first 24 bits: what a person holds
// against what the terminal shows, by eye or aloud. Something that is no digest
// stays as it is.
func Words(digest string) string {
	const bytes = 3
	if len(digest) < 2*bytes {
		return digest
	}
	start, err := hex.DecodeString(digest[:2*bytes])
	if err != nil {
		return digest
	}
	all, said := strings.Fields(codeWords), make([]string, bytes)
	for i, b := range start {
		said[i] = all[b]
	}
	return strings.Join(said, " ")
}
