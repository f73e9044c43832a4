package contact

import "testing"

// example is one of testdata/ct/examples.json: worked examples of public
// agencies, and own arithmetic marked as such, each with its source.
type example struct {
	ID         string
	Category   string
	Inputs     map[string]any
	Recomputed map[string]float64
	Tolerance  map[string]float64
}

// number is an input that the example must have.
func (e example) number(name string) float64 { return e.Inputs[name].(float64) }

func loadExamples(t testing.TB) []example {
	t.Helper()
	var es []example
	load(t, "../../testdata/ct/examples.json", &es)
	return es
}

func exampleByID(t testing.TB, id string) example {
	t.Helper()
	for _, e := range loadExamples(t) {
		if e.ID == id {
			return e
		}
	}
	t.Fatalf("no example %s", id)
	return example{}
}
