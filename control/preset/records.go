package preset

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"math"

	"hushback/engine"
)

// schema is the spelling of the records. It changes whenever the JSON of a
// Preset, Change or Entry does, which TestSpellingOfRecords notices.
const schema = 2

// sealLen is the schema byte and the CRC32C in front of each record's JSON.
const sealLen = 1 + 4

// seal spells a record: schema version, CRC32C over the record's name, version
// and JSON (bbolt has no checksums over data), JSON. The name is part of the
// sum so that a record in another's place is noticed.
func seal(name string, record any) ([]byte, error) {
	body, err := json.Marshal(record)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	value := make([]byte, sealLen, sealLen+len(body))
	value[0] = schema
	binary.BigEndian.PutUint32(value[1:], checksum(name, schema, body))
	return append(value, body...), nil
}

// unseal is the way back. Errors name the record.
func unseal(name string, value []byte, record any) error {
	if len(value) < sealLen {
		return fmt.Errorf("%s: %d bytes are too few for a record", name, len(value))
	}
	version, body := value[0], value[sealLen:]
	if binary.BigEndian.Uint32(value[1:]) != checksum(name, version, body) {
		return fmt.Errorf("%s: checksum does not match", name)
	}
	if version != schema {
		return fmt.Errorf("%s: written with schema %d, this program reads %d", name, version, schema)
	}
	decoder := json.NewDecoder(bytes.NewReader(body))
	// A field that no longer exists must not turn into a zero that is then
	// sent to an output.
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(record); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

func checksum(name string, version byte, body []byte) uint32 {
	table := crc32.MakeTable(crc32.Castagnoli)
	sum := crc32.Update(0, table, []byte(name))
	sum = crc32.Update(sum, table, []byte{version})
	return crc32.Update(sum, table, body)
}

func (p Preset) check() error {
	if p.Name == "" {
		return errors.New("a preset needs a name")
	}
	if err := checkSettings(p.Settings); err != nil {
		return fmt.Errorf("preset %q: %w", p.Name, err)
	}
	return nil
}

func (c Change) check() error {
	if c.ID == "" {
		return errors.New("a change needs an ID")
	}
	if err := checkSettings(c.Before); err != nil {
		return fmt.Errorf("change %s: before: %w", c.ID, err)
	}
	if err := checkSettings(c.After); err != nil {
		return fmt.Errorf("change %s: after: %w", c.ID, err)
	}
	return nil
}

// checkSettings refuses what nobody could ever send back.
func checkSettings(settings []engine.Setting) error {
	if len(settings) == 0 {
		return errors.New("there are no settings in it")
	}
	last := 0
	for _, set := range settings {
		switch {
		case set.Output <= last:
			return fmt.Errorf("output %d after output %d: outputs count up from 1", set.Output, last)
		case set.Polarity != 1 && set.Polarity != -1:
			return fmt.Errorf("output %d: polarity is %d, not 1 or -1", set.Output, set.Polarity)
		case !finite(set.DelaySec) || !finite(set.GainDB):
			return fmt.Errorf("output %d: delay %v s and gain %v dB must be numbers", set.Output, set.DelaySec, set.GainDB)
		}
		last = set.Output
	}
	return nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
