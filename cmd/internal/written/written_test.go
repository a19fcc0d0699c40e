package written

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A file is the command's own as long as its content is what the command wrote.
func TestOwnFiles(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("XDG_STATE_HOME", filepath.Join(dir, "state"))
	t.Chdir(dir)
	put := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	may := func(what string, want bool, files ...string) {
		t.Helper()
		if err := Check(false, files...); (err == nil) != want || err != nil && !strings.Contains(err.Error(), "--force") {
			t.Errorf("%s: %v", what, err)
		}
	}
	may("nothing is there", true, "a b.png", "c.svg")
	put("a b.png", "theirs")
	may("somebody's", false, "a b.png")
	if err := Check(true, "a b.png"); err != nil {
		t.Error(err)
	}
	put("a b.png", "ours")
	put("c.svg", "ours too")
	Note("a b.png", "c.svg")
	may("our own", true, "a b.png", "c.svg", filepath.Join(dir, "c.svg"))
	put("c.svg", "edited")
	may("edited since", false, "a b.png", "c.svg")
	if err := os.Symlink("a b.png", "link.png"); err != nil {
		t.Fatal(err)
	}
	may("our own by a link", true, "link.png")
	if err := os.Mkdir("folder.png", 0o755); err != nil {
		t.Fatal(err)
	}
	may("a folder", false, "folder.png")
	for i := range mostListed {
		name := fmt.Sprintf("n%d", i)
		put(name, "x")
		if i%100 == 99 {
			var names []string
			for k := i - 99; k <= i; k++ {
				names = append(names, fmt.Sprintf("n%d", k))
			}
			Note(names...)
		}
	}
	if got := len(read()); got != mostListed {
		t.Errorf("%d are listed", got)
	}
	may("long ago", false, "a b.png")
	if !SameFile("a b.png", "link.png") || SameFile("a b.png", "c.svg") || !SameFile("gone", "./gone") {
		t.Error("the same file is told wrongly")
	}
}
