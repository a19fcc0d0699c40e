package service

import (
	"context"
	"os"
	"time"

	"cushwright/config"
	"cushwright/engine/control"
)

// takeOver is how long an engine is given to play an edit of its bench.
const takeOver = 3 * time.Second

// TakenOver waits until the running engine has taken an edit of the bench folder over, and says so. name is the cushion
// whose correction was edited. The text is empty where no engine runs on that folder.
func TakenOver(ctx context.Context, dir, name string) string {
	cl, err := Client()
	if err != nil {
		return ""
	}
	return takenOver(ctx, cl, dir, name, takeOver)
}

// stater is what tells the engine's state.
type stater interface {
	Status(context.Context) (control.Status, error)
}

func takenOver(ctx context.Context, cl stater, dir, name string, wait time.Duration) string {
	want := ""
	if snap, err := config.Load(dir); err == nil {
		want = snap.Hash
	}
	for end := time.Now().Add(wait); ; time.Sleep(20 * time.Millisecond) {
		st, err := cl.Status(ctx)
		if err != nil || !SameFolder(st.Bench, dir) {
			return ""
		}
		switch {
		case st.Trial:
			return "The running engine takes it over when the listening trial ends."
		case want != "" && st.Reading == want:
			return heardNow(st, name)
		case want == "" && len(st.Problems) > 0:
			return "The running engine has not taken it over: " + st.Problems[0]
		case ctx.Err() != nil || time.Now().After(end):
			return "The running engine has not taken it over yet; \"cushwright status\" tells why."
		}
	}
}

func heardNow(st control.Status, name string) string {
	switch {
	case st.Cushion != name:
		return "The running engine has taken it over. It is heard once " + name + " is worn."
	case st.Muted:
		return "The running engine has taken it over. Nothing is heard: the engine is muted."
	case st.Bypass:
		return "The running engine has taken it over. It is heard when bypass is off."
	}
	return "The running engine has taken it over. It is heard now."
}

// SameFolder reports whether two paths name one folder.
func SameFolder(a, b string) bool {
	i, err1 := os.Stat(a)
	k, err2 := os.Stat(b)
	return err1 == nil && err2 == nil && os.SameFile(i, k)
}
