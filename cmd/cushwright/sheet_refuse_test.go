package main

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The page loads nothing, runs nothing, leads nowhere but to the files beside it, and can be read without seeing it.
func TestSheetStandsAlone(t *testing.T) {
	page, files := sheetOf(t, demoBench(t), "wipe-clean")
	raw, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.HasPrefix(raw, []byte("<!DOCTYPE html>\n<html lang=\"en\">")) {
		t.Errorf("it begins with %.60q", raw)
	}
	rest := bytes.ReplaceAll(raw, []byte(`xmlns="http://www.w3.org/2000/svg"`), nil)
	if m := regexp.MustCompile(`(?i)[a-z]+://|url\(|@import|javascript:|data:|\bon[a-z]+=|<script|<iframe|<object|<img`).Find(rest); m != nil {
		t.Errorf("the page holds %q", m)
	}
	ids := map[string]bool{}
	page.walk(func(n *node) {
		if id, ok := n.attr["id"]; ok {
			if ids[id] {
				t.Errorf("the name %q stands twice", id)
			}
			ids[id] = true
		}
	})
	page.walk(func(n *node) {
		for _, a := range []string{"src", "srcset", "action", "poster", "background"} {
			if v, ok := n.attr[a]; ok {
				t.Errorf("%s %s=%q", n.name, a, v)
			}
		}
		if n.name == "link" || n.name == "base" || n.name == "form" || n.name == "script" {
			t.Errorf("the page has a %s", n.name)
		}
		if to, ok := n.attr["href"]; ok {
			inside, isAnchor := strings.CutPrefix(to, "#")
			switch {
			case isAnchor && !ids[inside]:
				t.Errorf("a link to %s leads nowhere", to)
			case !isAnchor && !slices.Contains(files, filepath.Join(filepath.Dir(files[0]), to)):
				t.Errorf("a link leads to %s", to)
			}
		}
		if by, ok := n.attr["aria-labelledby"]; ok && !ids[by] {
			t.Errorf("%s is named by %q, which is not there", n.name, by)
		}
		switch n.name {
		case "table":
			_, named := n.attr["aria-labelledby"]
			if len(n.all("caption")) == 0 && !named && n.attr["id"] != "impulses" {
				t.Errorf("the table %q has no name", n.attr["id"])
			}
			for _, th := range n.all("th") {
				if s := th.attr["scope"]; s != "col" && s != "row" {
					t.Errorf("a heading of %q has no scope", n.attr["id"])
				}
			}
			for _, tr := range n.all("tbody")[0].all("tr") {
				if tr.kids[0].name != "th" {
					t.Errorf("a row of %q has no heading", n.attr["id"])
				}
			}
		case "svg":
			if n.attr["role"] != "img" || len(n.all("title")) != 1 || len(n.all("desc")) != 1 {
				t.Errorf("a plot is not described")
			}
		}
	})
	if n := len(page.all("svg")); n != 5 || len(page.all("h1")) != 1 || len(page.all("figcaption")) != n {
		t.Errorf("%d plots", n)
	}
	// Same input, same files.
	_, again := sheetOf(t, demoBench(t), "wipe-clean")
	for i := range files {
		a, err := os.ReadFile(files[i])
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(again[i])
		if err != nil || !bytes.Equal(a, b) {
			t.Errorf("%s differs from run to run: %v", filepath.Base(files[i]), err)
		}
	}
}

// A browser without a network reads the page to its end, and prints it.
func TestSheetInABrowser(t *testing.T) {
	_, files := sheetOf(t, demoBench(t), "wipe-clean")
	dir := t.TempDir()
	pdf := filepath.Join(dir, "sheet.pdf")
	run := func(args ...string) []byte {
		t.Helper()
		args = append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--host-resolver-rules=MAP * ~NOTFOUND", "--proxy-server=127.0.0.1:9",
			"--user-data-dir=" + filepath.Join(dir, "profile")}, args...)
		c := exec.CommandContext(t.Context(), "chromium", append(args, "file://"+files[0])...)
		out, err := c.Output()
		if err != nil {
			t.Fatalf("chromium %v: %v", args, err)
		}
		return out
	}
	dom := run("--dump-dom")
	for _, w := range []string{`id="seats"`, "<title>wipe-clean as woven: settings sheet</title>", "<figcaption>", "</body></html>"} {
		if !bytes.Contains(dom, []byte(w)) {
			t.Errorf("the browser does not see %q", w)
		}
	}
	run("--no-pdf-header-footer", "--print-to-pdf="+pdf)
	data, err := os.ReadFile(pdf)
	if err != nil || !bytes.HasPrefix(data, []byte("%PDF")) {
		t.Fatalf("printed: %v, %.20q", err, data)
	}
	if n := len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(data, -1)); n < 5 || n > 9 {
		t.Errorf("printed on %d pages", n)
	}
}

func TestSheetFiles(t *testing.T) {
	bench := demoBench(t)
	dir := t.TempDir()
	out, msg, err := command(bench, "sheet", "wipe-clean", "--out", filepath.Join(dir, "booth.html"))
	if err != nil || !strings.Contains(msg, caution) {
		t.Fatal(err, msg)
	}
	first := content(t, dir)
	if len(first) != 5 || !strings.HasPrefix(out, filepath.Join(dir, "booth.html")+"\n") {
		t.Fatalf("%d files, said %q", len(first), out)
	}
	for _, n := range []string{"booth.html", "booth-44100.wav", "booth-48000.wav", "booth-48000.csv", "booth-96000.wav"} {
		if _, ok := first[filepath.Join(dir, n)]; !ok || !strings.Contains(out, n) {
			t.Errorf("no %s", n)
		}
	}
	// One of them cannot be replaced: all stay as they were.
	if _, _, err := command(bench, "derive", "wipe-clean", "--bands", "3", "--yes"); err != nil {
		t.Fatal(err)
	}
	blocked := filepath.Join(dir, "booth-96000.wav")
	if err := os.Remove(blocked); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(blocked, 0o755); err != nil {
		t.Fatal(err)
	}
	if _, _, err := command(bench, "sheet", "wipe-clean", "--out", filepath.Join(dir, "booth.html")); err == nil {
		t.Error("a folder was replaced by a file")
	}
	delete(first, blocked)
	if !same(first, content(t, dir)) {
		t.Error("some files were replaced and others not")
	}
	if err := os.Remove(blocked); err != nil {
		t.Fatal(err)
	}
	if _, _, err := command(bench, "sheet", "wipe-clean", "--out", filepath.Join(dir, "booth.html")); err != nil {
		t.Error(err)
	}
	if now := content(t, dir); len(now) != 5 || now[filepath.Join(dir, "booth.html")] == first[filepath.Join(dir, "booth.html")] {
		t.Error("the set was not replaced")
	}
}

func TestSheetRefuses(t *testing.T) {
	bench := demoBench(t)
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(bench, "cushions", "linen.toml"), []byte("label = \"Linen\"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(bench, "corrections", "cord.toml"), []byte("reference = \"woven\"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, k := range []struct{ line, says string }{
		{"sheet", "Write: cushwright sheet NEW"},
		{"sheet felt --out " + dir, "unknown cushion. The bench has:"},
		{"sheet linen --out " + dir, "it has no correction yet: derive linen first"},
		{"sheet woven --out " + dir, "it has no correction yet"},
		{"sheet cord --out " + dir, "it was never measured"},
		{"sheet wipe-clean --reference deep-foam --out " + dir, "derive it towards \"deep-foam\" first"},
		{"sheet wipe-clean --out " + filepath.Join(dir, "sheet.pdf"), "ends in .html"},
		{"sheet wipe-clean --out " + filepath.Join(dir, "none", "sheet.html"), "none"},
	} {
		out, _, err := command(bench, strings.Fields(k.line)...)
		var no answerNo
		if err == nil || !strings.Contains(err.Error(), k.says) || errors.As(err, &no) || out != "" {
			t.Errorf("%s: %v, printed %q; want %q", k.line, err, out, k.says)
		}
	}
	if all := content(t, dir); len(all) != 0 {
		t.Errorf("something was written: %v", all)
	}
	// An equaliser that is of no use is said, and the sheet is made all the same.
	if err := os.WriteFile(filepath.Join(bench, "equalisers", "cuts.toml"), []byte("bands = 2\nshapes = [\"low-cut\"]\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	page, _ := sheetOf(t, bench, "wipe-clean")
	if !strings.Contains(page.text, `equaliser "cuts" has no shape with a gain`) {
		t.Error("that an equaliser is of no use is not said")
	}
}
