package words

import "testing"

func TestWords(t *testing.T) {
	for got, want := range map[string]string{
		Plural(1, "seat"): "1 seat", Plural(0, "seat"): "0 seats", Plural(7, "seat"): "7 seats",
		Decimals(-0.001, 2): "0.00", Decimals(-1.25, 1): "-1.2", Short(3.10, 2): "3.1", Short(-0.001, 2): "0", Short(100, 0): "100",
		Signed(1.5): "+1.5", Signed(-2): "-2", Signed(0.001): "0", Signed(-0.001): "0",
		SignedTenth(-0.04): "+0.0", SignedTenth(2.26): "+2.3",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if x := Typed(0.30000001, 0.01); x != 0.3 {
		t.Errorf("%v", x)
	}
}
