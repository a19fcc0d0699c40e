package config

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/go-viper/mapstructure/v2"
	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// The tags of a decoded struct are its schema:
//
//	key:"ceiling_db"    the key, always lower case; "-" = not in the file
//	min:"-20" max:"0"   range of a number or of every number of a list
//	unit:"dB"           said in messages
//	zero:"automatic"    0 is allowed, too, and means that
//	one:"low|normal"    the strings allowed
//	want:"…"            said in messages instead, where the caller checks
//	check:"…"           name, text (one line), notes (lines), key (combination), date (YYYY-MM-DD)

// document is one TOML file in the course of being decoded.
type document struct {
	file     string
	src      []byte
	parser   unstable.Parser
	pos      map[string]position // of every table and key, by the name that messages use
	tables   map[string]int      // elements of an array of tables so far
	problems Problems

	unread    map[string]bool // keys whose value could not be taken: nothing more is said of them
	unfit     bool            // nothing of the file could be decoded
	said      Problems        // of lines that are no TOML, while the rest is read
	blankLine []int           // those lines, blanked in src
}

// position is where a key or table stands and what value it has there.
type position struct {
	line   int
	raw    string
	wanted string // what may stand there
}

// decodeTOML decodes data, the content of file, into the struct that into points at, which holds the defaults. viper does the
// decoding; what it is lenient about (case, unknown keys, empty tables, types) is refused before, so that each problem has a
// line. The document comes back for further checks with bad.
func decodeTOML(file string, data []byte, into any) *document {
	d := &document{file: file, unread: map[string]bool{}}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	d.src = slices.Clip(slices.Clone(data))
	switch {
	case len(bytes.TrimSpace(data)) == 0:
		// An editor that truncates before it writes shows this for a moment; it must not pass for "all defaults".
		d.add(&Problem{Err: errors.New("the file is empty"), Allowed: "keys or a comment, or no such file"})
		d.unfit = true
		return d
	case !utf8.Valid(data):
		n := 1
		for rest := data; ; {
			r, w := utf8.DecodeRune(rest)
			if r == utf8.RuneError && w < 2 {
				break
			}
			if r == '\n' {
				n++
			}
			rest = rest[w:]
		}
		d.add(&Problem{Line: n, Err: errors.New("not UTF-8"), Allowed: "UTF-8 text"})
		d.unfit = true
		return d
	}
	v := d.read(reflect.TypeOf(into).Elem())
	if v == nil {
		d.unfit = true
		return d
	}
	for _, p := range d.problems {
		d.unread[p.Key] = p.Key != ""
	}
	// Where something is wrong already, what is left of the file is decoded and checked all the same.
	decode := v.UnmarshalExact
	if len(d.problems) > 0 {
		decode = v.Unmarshal
	}
	faults := len(d.problems)
	err := decode(into, func(c *mapstructure.DecoderConfig) {
		c.TagName = "key"
		c.WeaklyTypedInput = false
		c.MatchName = func(key, field string) bool { return key == field }
		c.DecodeHook = func(from, to reflect.Type, v any) (any, error) {
			if l, ok := v.(toml.LocalDate); ok && to.Kind() == reflect.String {
				return l.String(), nil
			}
			return v, nil
		}
	})
	if err != nil && faults == 0 {
		d.add(&Problem{Err: errors.New(clip(err.Error()))})
		d.unfit = true
		return d
	}
	d.ranges("", reflect.ValueOf(into).Elem())
	for _, p := range d.problems {
		d.unread[p.Key] = p.Key != ""
	}
	return d
}

func (d *document) add(p *Problem) {
	p.File = d.file
	const most = 50 // enough to mend, bounded against a hostile file
	if len(d.problems) < most {
		d.problems = append(d.problems, p)
	}
}

// bad adds a problem with the value of a key; the line is that of the key, or else of the table it belongs in.
func (d *document) bad(key, value, allowed string) {
	for name := key; name != ""; name = name[:max(0, strings.LastIndexAny(name, ". "))] {
		if d.unread[name] {
			return
		}
	}
	at := d.pos[key]
	if value == "" {
		value = at.raw
	}
	for name := key; at.line == 0; {
		i := strings.LastIndexAny(name, ". ")
		if i < 0 {
			break
		}
		name = name[:i]
		at.line = d.pos[name].line
	}
	d.add(&Problem{Line: at.line, Key: key, Value: clip(value), Allowed: allowed})
}

// syntax adds an error of the TOML reader: what cannot be read, or stands there twice. It stands in the table of type t, named
// prefix, where the reader broke off, so that the message can say what the key takes.
func (d *document) syntax(err error, t reflect.Type, prefix string) {
	var de *toml.DecodeError
	if !errors.As(err, &de) {
		d.add(&Problem{Err: err})
		return
	}
	p := &Problem{Err: errors.New(shorten(strings.TrimPrefix(de.Error(), "toml: "), 160)), Allowed: "key = value or [table], as TOML has it"}
	p.Line, _ = de.Position()
	for name, at := range d.pos {
		if at.line == p.Line && len(name) > len(p.Key) { // the innermost
			p.Key, p.Value, p.Allowed = name, at.raw, at.wanted
		}
	}
	if strings.Contains(p.Err.Error(), "already") {
		if p.Key == "" {
			p.Key = clip(strings.Join(de.Key(), "."))
		}
		p.Value, p.Allowed, p.Err = "given twice", "each key and table once", nil
	} else if p.Key == "" {
		lines := strings.Split(string(d.src), "\n")
		text := strings.TrimSpace(lines[min(max(p.Line, 1), len(lines))-1])
		p.Value = clip(text)
		key, value := text, ""
		if i := strings.IndexAny(text, "=: \t"); i >= 0 {
			key, value = text[:i], strings.TrimSpace(text[i:])
		}
		for i := range t.NumField() {
			f := t.Field(i)
			if key == "" || f.Tag.Get("key") != key {
				continue
			}
			p.Key, p.Allowed = join(prefix, key), wanted(f)
			if v, ok := strings.CutPrefix(value, "="); !ok {
				p.Value, p.Allowed = clip(value), "key = value, here "+key+" = "+p.Allowed
			} else if number, ok := decimalComma(v); ok {
				p.Value, p.Allowed, p.Err = clip(number), withPoint(p.Allowed, number), nil
			} else if p.Value = clip(strings.TrimSpace(v)); p.Value == "" {
				p.Value = "nothing"
			}
		}
	}
	if p.Line > 0 || len(d.problems) == 0 {
		d.add(p)
	}
}

// join names a key within a table: "guard.ceiling_db", "band 2 freq_hz".
func join(prefix, key string) string {
	switch {
	case prefix == "":
		return key
	case prefix[len(prefix)-1] >= '0' && prefix[len(prefix)-1] <= '9' && strings.Contains(prefix, " "):
		return prefix + " " + key
	}
	return prefix + "." + key
}

func (d *document) line(r unstable.Range) int {
	return 1 + bytes.Count(d.src[:r.Offset], []byte("\n"))
}

// schema compares every key of the file, as far as it is TOML, with the type it is to be decoded into. It returns the table
// that it ended in.
func (d *document) schema(root reflect.Type) (table reflect.Type, prefix string) {
	d.parser.Reset(d.src)
	table = root
	skip := false
	for d.parser.NextExpression() {
		e := d.parser.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table, prefix, skip = root, "", false
			it := e.Key()
			for it.Next() {
				k := it.Node()
				f, name, ok := d.field(table, prefix, k)
				if !ok {
					skip = true
					break
				}
				t := deref(f.Type)
				list := t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.Struct
				last := it.IsLast()
				switch {
				case list && last && e.Kind == unstable.ArrayTable:
					d.tables[name]++
					name = fmt.Sprintf("%s %d", name, d.tables[name])
					t = t.Elem()
				case list && !last && d.tables[name] > 0:
					name = fmt.Sprintf("%s %d", name, d.tables[name])
					t = t.Elem()
				case t.Kind() != reflect.Struct:
					d.add(&Problem{Line: d.line(k.Raw), Key: name, Value: "a table", Allowed: wanted(f)})
					skip = true
				case last && e.Kind == unstable.ArrayTable:
					d.add(&Problem{Line: d.line(k.Raw), Key: name, Value: "a list of tables", Allowed: "a table [" + name + "]"})
					skip = true
				}
				if skip {
					break
				}
				table, prefix = t, name
				if last {
					d.pos[name] = position{d.line(k.Raw), "a table", "a table"}
				}
			}
		case unstable.KeyValue:
			if !skip {
				d.keyValue(table, prefix, e)
			}
		}
	}
	return table, prefix // an error of the parser is one of viper's, too, and has a position there
}

// field finds the struct field of a key, or adds a problem.
func (d *document) field(table reflect.Type, prefix string, key *unstable.Node) (reflect.StructField, string, bool) {
	name := join(prefix, clip(string(key.Data)))
	var keys []string
	for i := range table.NumField() {
		f := table.Field(i)
		switch k := f.Tag.Get("key"); k {
		case "-", "":
		case string(key.Data):
			return f, name, true
		default:
			keys = append(keys, k)
		}
	}
	p := &Problem{Line: d.line(key.Raw), Key: name, Value: "an unknown key", Allowed: strings.Join(keys, ", ")}
	for _, k := range keys {
		if strings.EqualFold(k, string(key.Data)) {
			p.Value = "in the wrong case"
			p.Allowed = k
		}
	}
	d.add(p)
	return reflect.StructField{}, "", false
}

func (d *document) keyValue(table reflect.Type, prefix string, kv *unstable.Node) {
	it := kv.Key()
	var f reflect.StructField
	line := 0
	for it.Next() {
		k := it.Node()
		var name string
		var ok bool
		f, name, ok = d.field(table, prefix, k)
		if !ok {
			return
		}
		prefix, line = name, d.line(k.Raw)
		if it.IsLast() {
			break
		}
		table = deref(f.Type)
		if table.Kind() != reflect.Struct {
			d.add(&Problem{Line: line, Key: name, Value: "a table", Allowed: wanted(f)})
			return
		}
		if _, seen := d.pos[name]; !seen {
			d.pos[name] = position{line, "a table", "a table"}
		}
	}
	d.value(f, deref(f.Type), prefix, line, kv.Value())
}

// value checks the type of one value and notes its position.
func (d *document) value(f reflect.StructField, t reflect.Type, name string, line int, v *unstable.Node) {
	raw := d.raw(v)
	d.pos[name] = position{line, raw, wantedType(f, t)}
	ok := false
	switch t.Kind() {
	case reflect.String:
		ok = v.Kind == unstable.String || v.Kind == unstable.LocalDate && f.Tag.Get("check") == "date"
	case reflect.Bool:
		ok = v.Kind == unstable.Bool
	case reflect.Int:
		ok = v.Kind == unstable.Integer
	case reflect.Float64:
		ok = v.Kind == unstable.Integer || v.Kind == unstable.Float && finite(raw)
	case reflect.Interface: // "auto" or a number; the caller looks closer
		ok = v.Kind == unstable.Integer || v.Kind == unstable.String || v.Kind == unstable.Float && finite(raw)
	case reflect.Struct:
		if ok = v.Kind == unstable.InlineTable; ok {
			it := v.Children()
			for it.Next() {
				if kv := it.Node(); kv.Kind == unstable.KeyValue {
					d.keyValue(t, name, kv)
				}
			}
		}
	case reflect.Slice:
		if ok = v.Kind == unstable.Array; ok {
			n := 0
			it := v.Children()
			for it.Next() {
				if it.Node().Kind == unstable.Comment {
					continue
				}
				n++
				d.value(f, deref(t.Elem()), fmt.Sprintf("%s %d", name, n), line, it.Node())
			}
		}
	}
	if !ok {
		p := &Problem{Line: line, Key: name, Value: clip(raw), Allowed: wantedType(f, t)}
		if number, comma := decimalComma(raw); comma && t.Kind() == reflect.Float64 {
			p.Allowed = withPoint(p.Allowed, number)
		}
		d.add(p)
	}
}

func (d *document) raw(v *unstable.Node) string {
	switch v.Kind {
	case unstable.Array:
		return "a list"
	case unstable.InlineTable:
		return "a table"
	}
	return clip(string(d.parser.Raw(v.Raw)))
}

func finite(raw string) bool { return !strings.Contains(raw, "inf") && !strings.Contains(raw, "nan") }

func deref(t reflect.Type) reflect.Type {
	if t.Kind() == reflect.Pointer {
		return t.Elem()
	}
	return t
}
