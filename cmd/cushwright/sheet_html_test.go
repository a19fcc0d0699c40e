package main

import (
	"bytes"
	"encoding/xml"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
)

// node is an element of a page; text is what it and its children say.
type node struct {
	name string
	attr map[string]string
	kids []*node
	text string
}

// parsePage parses a page strictly: every element closed, every attribute quoted.
func parsePage(t *testing.T, data []byte) *node {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(data))
	root := &node{}
	stack := []*node{root}
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("the page does not parse: %v", err)
		}
		switch k := tok.(type) {
		case xml.StartElement:
			n := &node{name: k.Name.Local, attr: map[string]string{}}
			for _, a := range k.Attr {
				n.attr[a.Name.Local] = a.Value
			}
			top := stack[len(stack)-1]
			top.kids = append(top.kids, n)
			stack = append(stack, n)
		case xml.EndElement:
			stack = stack[:len(stack)-1]
		case xml.CharData:
			for _, n := range stack {
				n.text += string(k)
			}
		}
	}
	return root
}

func (n *node) walk(f func(*node)) {
	f(n)
	for _, k := range n.kids {
		k.walk(f)
	}
}

func (n *node) all(name string) (out []*node) {
	n.walk(func(k *node) {
		if k.name == name {
			out = append(out, k)
		}
	})
	return out
}

func (n *node) byID(t *testing.T, id string) *node {
	t.Helper()
	var found *node
	n.walk(func(k *node) {
		if k.attr["id"] == id {
			found = k
		}
	})
	if found == nil {
		t.Fatalf("the page has no %q", id)
	}
	return found
}

// rows are the cells of a table's body.
func (n *node) rows() (out [][]string) {
	for _, body := range n.all("tbody") {
		for _, tr := range body.all("tr") {
			var cells []string
			for _, k := range tr.kids {
				cells = append(cells, strings.TrimSpace(k.text))
			}
			out = append(out, cells)
		}
	}
	return out
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatalf("%q is no number", s)
	}
	return x
}

// value reads a number that stands on the page in full beside the one shown, which must be it, rounded, or rounded up.
func (n *node) value(t *testing.T, id string, up bool) float64 {
	t.Helper()
	k := n.byID(t, id)
	x, shown := num(t, k.attr["value"]), num(t, k.text)
	_, frac, _ := strings.Cut(k.text, ".")
	step := math.Pow(10, -float64(len(frac)))
	if up && (shown < x-1e-9 || shown >= x+step) || !up && math.Abs(shown-x) > 0.5001*step {
		t.Errorf("%s: %s is shown for %g", id, k.text, x)
	}
	return x
}
