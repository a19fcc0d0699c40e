package viewtest

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"regexp"
	"testing"
	"time"
)

var tokenIn = regexp.MustCompile(`name="token" value="([A-Z2-7]{26})"`)

// Visitor is a browser without a screen.
type Visitor struct {
	t    *testing.T
	HTTP http.Client
	At   string // http://host
	Home string // the page's address
	Body string // the page
}

// Enter opens the page by its address.
func Enter(t *testing.T, address string) *Visitor {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	v := &Visitor{t: t, HTTP: http.Client{Jar: jar, Timeout: 20 * time.Second}}
	res, err := v.HTTP.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v: %s", address, res.Status, err, b)
	}
	v.Home, v.Body = res.Request.URL.String(), string(b)
	v.At = res.Request.URL.Scheme + "://" + res.Request.URL.Host
	return v
}

// Token is the one that stands in the page.
func (v *Visitor) Token() string {
	v.t.Helper()
	m := tokenIn.FindStringSubmatch(v.Body)
	if m == nil {
		v.t.Fatal("the page has no token")
	}
	return m[1]
}
