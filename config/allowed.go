package config

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// wanted says in words what a key takes.
func wanted(f reflect.StructField) string { return wantedType(f, deref(f.Type)) }

func wantedType(f reflect.StructField, t reflect.Type) string {
	if w := f.Tag.Get("want"); w != "" {
		return w
	}
	switch t.Kind() {
	case reflect.Bool:
		return "true or false"
	case reflect.Int:
		return "a whole number, " + rangeText(f)
	case reflect.Float64:
		if r := rangeText(f); r != "" {
			return "a number, " + r
		}
		return "a number"
	case reflect.Struct:
		return "a table"
	case reflect.Slice:
		if t.Elem().Kind() == reflect.Struct {
			return "tables [[" + f.Tag.Get("key") + "]]"
		}
		return "a list of " + map[bool]string{true: "numbers", false: "strings"}[t.Elem().Kind() == reflect.Float64]
	case reflect.Interface:
		return headroomAllowed
	}
	if one := f.Tag.Get("one"); one != "" {
		return oneText(one)
	}
	switch f.Tag.Get("check") {
	case "name":
		return "a name in quotes: " + nameAllowed
	case "key":
		return `a key combination in quotes, as "ctrl+alt+b"`
	case "date":
		return "a date, YYYY-MM-DD"
	}
	return "a text in quotes"
}

func rangeText(f reflect.StructField) string {
	lo, hi := f.Tag.Get("min"), f.Tag.Get("max")
	if lo == "" {
		return ""
	}
	s := lo + " to " + hi
	if u := f.Tag.Get("unit"); u != "" {
		s += " " + u
	}
	if z := f.Tag.Get("zero"); z != "" {
		s += ", or 0 for " + z
	}
	return s
}

func oneText(one string) string {
	words := strings.Split(one, "|")
	for i, w := range words {
		words[i] = strconv.Quote(w)
	}
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " or " + words[n-1]
	}
	return words[0]
}

// ranges checks the decoded values against the tags; only what the file says is checked.
func (d *document) ranges(prefix string, v reflect.Value) {
	t := v.Type()
	for i := range t.NumField() {
		f := t.Field(i)
		key := f.Tag.Get("key")
		if key == "" || key == "-" {
			continue
		}
		name := join(prefix, key)
		if _, ok := d.pos[name]; !ok && d.tables[name] == 0 {
			continue
		}
		fv := v.Field(i)
		if fv.Kind() == reflect.Pointer {
			if fv.IsNil() {
				continue
			}
			fv = fv.Elem()
		}
		d.rangeOf(f, name, fv)
	}
}

func (d *document) rangeOf(f reflect.StructField, name string, v reflect.Value) {
	num := func(x float64) {
		if f.Tag.Get("min") == "" || x == 0 && f.Tag.Get("zero") != "" {
			return
		}
		lo, _ := strconv.ParseFloat(f.Tag.Get("min"), 64)
		hi, _ := strconv.ParseFloat(f.Tag.Get("max"), 64)
		if !(x >= lo && x <= hi) {
			d.bad(name, "", rangeText(f))
		}
	}
	switch v.Kind() {
	case reflect.Struct:
		d.ranges(name, v)
	case reflect.Slice:
		const most = 10000
		if v.Len() > most {
			d.bad(name, fmt.Sprintf("%d elements", v.Len()), fmt.Sprintf("up to %d", most))
			return
		}
		for i := range v.Len() {
			d.rangeOf(f, fmt.Sprintf("%s %d", name, i+1), v.Index(i))
		}
	case reflect.Int:
		num(float64(v.Int()))
	case reflect.Float64:
		if x := v.Float(); math.IsInf(x, 0) || math.IsNaN(x) {
			d.bad(name, "", wantedType(f, v.Type())) // a number beyond float64, such as 1e999
		} else {
			num(x)
		}
	case reflect.String:
		d.text(f, name, v.String())
	}
}

func (d *document) text(f reflect.StructField, name, s string) {
	if one := f.Tag.Get("one"); one != "" {
		if !slices.Contains(strings.Split(one, "|"), s) {
			d.bad(name, "", oneText(one))
		}
		return
	}
	switch f.Tag.Get("check") {
	case "name":
		if s != "" && CheckName(s) != nil {
			d.bad(name, "", nameAllowed)
		}
	case "key":
		if _, err := ParseKey(s); err != nil {
			d.bad(name, "", keyAllowed)
		}
	case "date":
		if _, err := time.Parse(time.DateOnly, s); err != nil && s != "" {
			d.bad(name, "", "a date, YYYY-MM-DD")
		}
	case "text":
		if !oneLine(s) || utf8.RuneCountInString(s) > 256 {
			d.bad(name, "", "one line of up to 256 characters")
		}
	case "notes":
		if !oneLine(strings.NewReplacer("\n", " ", "\t", " ", "\r", " ").Replace(s)) || utf8.RuneCountInString(s) > 8192 {
			d.bad(name, "", "up to 8192 characters, no control characters")
		}
	}
}

// oneLine reports whether s can stand in one line: nothing that moves the cursor or ends the text.
func oneLine(s string) bool {
	return strings.IndexFunc(s, func(r rune) bool { return unicode.IsControl(r) || r == '\u2028' || r == '\u2029' }) < 0
}
