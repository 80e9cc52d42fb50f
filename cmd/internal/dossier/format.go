package dossier

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Format names the layout below. A reader ignores what it does not know, and what is
// not there is zero, so that keys may be added; anything else is another format.
//
// A dossier is one JSON object: "format", then the fields of Dossier in their order.
// A key is the name of its field, words in small letters and underscores between
// them: "freq_hz". Units stand in the names, as everywhere. A complex number is
// [re, im]; a number without a finite value is "NaN", "Inf" or "-Inf"; what is not
// there is null; a moment is RFC 3339 in UTC. Numbers have as many digits as it takes
// to read the same bits again.
const Format = "hushback.dossier.v1"

// ErrDamaged is that something is no dossier, or only half of one.
var ErrDamaged = errors.New("damaged")

// errNewer is that a dossier has a format of a later version.
var errNewer = errors.New("of another version of hushback")

// Marshal spells a dossier.
func Marshal(d Dossier) ([]byte, error) {
	b := append([]byte(`{"format":`), strconv.Quote(Format)...)
	v := reflect.ValueOf(d)
	for i := range v.NumField() {
		b = append(b, ",\n"...)
		b = appendKey(b, v.Type().Field(i).Name)
		var err error
		if b, err = appendValue(b, v.Field(i)); err != nil {
			return nil, fmt.Errorf("dossier of change %s: %s: %w", d.Change, key(v.Type().Field(i).Name), err)
		}
	}
	return append(b, "}\n"...), nil
}

// Unmarshal reads a dossier. An error names the place and wraps ErrDamaged, unless the
// dossier is of another format.
func Unmarshal(text []byte) (d Dossier, err error) {
	var tree map[string]any
	dec := json.NewDecoder(bytes.NewReader(text))
	dec.UseNumber()
	if err := dec.Decode(&tree); err != nil {
		return d, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if _, err := dec.Token(); err != io.EOF {
		return d, fmt.Errorf("%w: something comes after its end", ErrDamaged)
	}
	if err := checkFormat(tree["format"]); err != nil {
		return d, err
	}
	if err := set(reflect.ValueOf(&d).Elem(), tree, ""); err != nil {
		return Dossier{}, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return d, nil
}

func checkFormat(got any) error {
	name, _ := got.(string)
	switch {
	case name == Format:
		return nil
	case strings.HasPrefix(name, "hushback.dossier.v"):
		return fmt.Errorf("it is %s, which is %w", name, errNewer)
	default:
		return fmt.Errorf("%w: format: got %v, want %q", ErrDamaged, got, Format)
	}
}

// key is what the field of a Go type is called in JSON.
func key(field string) string {
	var b strings.Builder
	before := ' '
	for _, r := range field {
		if unicode.IsUpper(r) && (unicode.IsLower(before) || unicode.IsDigit(before)) {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToLower(r))
		before = r
	}
	return b.String()
}

func appendKey(b []byte, field string) []byte {
	return append(strconv.AppendQuote(b, key(field)), ':')
}

func appendFloat(b []byte, v float64) []byte {
	switch {
	case math.IsNaN(v):
		return append(b, `"NaN"`...)
	case math.IsInf(v, 1):
		return append(b, `"Inf"`...)
	case math.IsInf(v, -1):
		return append(b, `"-Inf"`...)
	}
	return strconv.AppendFloat(b, v, 'g', -1, 64)
}

func appendValue(b []byte, v reflect.Value) ([]byte, error) {
	switch v.Kind() {
	case reflect.Float64:
		return appendFloat(b, v.Float()), nil
	case reflect.Complex128:
		c := v.Complex()
		return append(appendFloat(append(appendFloat(append(b, '['), real(c)), ','), imag(c)), ']'), nil
	case reflect.Int:
		return strconv.AppendInt(b, v.Int(), 10), nil
	case reflect.Uint64:
		return strconv.AppendUint(b, v.Uint(), 10), nil
	case reflect.Bool:
		return strconv.AppendBool(b, v.Bool()), nil
	case reflect.String:
		text, err := json.Marshal(v.String())
		return append(b, text...), err
	case reflect.Pointer:
		if v.IsNil() {
			return append(b, "null"...), nil
		}
		return appendValue(b, v.Elem())
	case reflect.Slice, reflect.Array:
		return appendList(b, v)
	case reflect.Struct:
		return appendStruct(b, v)
	}
	return b, fmt.Errorf("the format has nothing for a %s", v.Type())
}

func appendList(b []byte, v reflect.Value) ([]byte, error) {
	if v.Kind() == reflect.Slice && v.IsNil() {
		return append(b, "null"...), nil
	}
	b = append(b, '[')
	for i := range v.Len() {
		if i > 0 {
			b = append(b, ',')
		}
		var err error
		if b, err = appendValue(b, v.Index(i)); err != nil {
			return b, err
		}
	}
	return append(b, ']'), nil
}

func appendStruct(b []byte, v reflect.Value) ([]byte, error) {
	if t, is := reflect.TypeAssert[time.Time](v); is {
		return append(t.UTC().AppendFormat(append(b, '"'), time.RFC3339Nano), '"'), nil
	}
	first := true
	b = append(b, '{')
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if !f.IsExported() {
			continue
		}
		if !first {
			b = append(b, ',')
		}
		first = false
		var err error
		if b, err = appendValue(appendKey(b, f.Name), v.Field(i)); err != nil {
			return b, err
		}
	}
	return append(b, '}'), nil
}

// set brings what was read into v; at is where that stands, for errors.
func set(v reflect.Value, got any, at string) error {
	if got == nil && (v.Kind() == reflect.Pointer || v.Kind() == reflect.Slice) {
		return nil
	}
	switch v.Kind() {
	case reflect.Float64:
		f, ok := floatOf(got)
		v.SetFloat(f)
		return want(ok, at, "a number", got)
	case reflect.Complex128:
		pair, ok := got.([]any)
		if !ok || len(pair) != 2 {
			return want(false, at, "[re, im]", got)
		}
		re, ok := floatOf(pair[0])
		im, too := floatOf(pair[1])
		v.SetComplex(complex(re, im))
		return want(ok && too, at, "[re, im]", got)
	case reflect.Int:
		n, err := strconv.ParseInt(digits(got), 10, strconv.IntSize)
		v.SetInt(n)
		return want(err == nil, at, "a whole number", got)
	case reflect.Uint64:
		n, err := strconv.ParseUint(digits(got), 10, 64)
		v.SetUint(n)
		return want(err == nil, at, "a count", got)
	case reflect.Bool:
		is, ok := got.(bool)
		v.SetBool(is)
		return want(ok, at, "true or false", got)
	case reflect.String:
		text, ok := got.(string)
		v.SetString(text)
		return want(ok, at, "words", got)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		return set(v.Elem(), got, at)
	case reflect.Slice, reflect.Array:
		return setList(v, got, at)
	default:
		return setStruct(v, got, at)
	}
}

func setList(v reflect.Value, got any, at string) error {
	list, ok := got.([]any)
	if err := want(ok, at, "a list", got); err != nil {
		return err
	}
	if v.Kind() == reflect.Slice {
		v.Set(reflect.MakeSlice(v.Type(), len(list), len(list)))
	} else if len(list) != v.Len() {
		return fmt.Errorf("%s: got a list of %d, want %d", at, len(list), v.Len())
	}
	for i, one := range list {
		if err := set(v.Index(i), one, fmt.Sprintf("%s[%d]", at, i)); err != nil {
			return err
		}
	}
	return nil
}

func setStruct(v reflect.Value, got any, at string) error {
	if v.Type() == reflect.TypeFor[time.Time]() {
		text, _ := got.(string)
		t, err := time.Parse(time.RFC3339Nano, text)
		v.Set(reflect.ValueOf(t.UTC()))
		return want(err == nil && t.UTC().Year() >= 0 && t.UTC().Year() <= 9999, at, "a moment", got)
	}
	object, ok := got.(map[string]any)
	if err := want(ok, at, "an object", got); err != nil {
		return err
	}
	for i := range v.NumField() {
		f := v.Type().Field(i)
		one, there := object[key(f.Name)]
		if !there || !f.IsExported() {
			continue
		}
		if err := set(v.Field(i), one, strings.TrimPrefix(at+"."+key(f.Name), ".")); err != nil {
			return err
		}
	}
	return nil
}

func floatOf(got any) (float64, bool) {
	switch got := got.(type) {
	case json.Number:
		f, err := got.Float64()
		return f, err == nil
	case string:
		words := map[string]float64{"NaN": math.NaN(), "Inf": math.Inf(1), "-Inf": math.Inf(-1)}
		f, ok := words[got]
		return f, ok
	}
	return 0, false
}

// digits is a JSON number as it stands there, "" if it is none.
func digits(got any) string {
	n, _ := got.(json.Number)
	return string(n)
}

func want(ok bool, at, wanted string, got any) error {
	if ok {
		return nil
	}
	said := fmt.Sprint(got)
	if len(said) > 40 {
		said = said[:40] + "..."
	}
	return fmt.Errorf("%s: got %s, want %s", at, said, wanted)
}
