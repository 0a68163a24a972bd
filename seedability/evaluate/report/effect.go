package report

import (
	"fmt"
	"io"
	"math"
	"strings"

	"rimeline/seedability/evaluate"
)

// EffectUnits are seasons or storms with the amounts of target and controls.
type EffectUnits struct {
	File     string
	Target   string
	Controls []string
	Names    []string
	Seeded   []bool
	Blocks   []int
	Amounts  evaluate.Units // of all units, in the order of the file
}

// EffectColumns are the names of the columns of a file of units.
type EffectColumns struct {
	Name, Target, Seeded, Block string // Name and Block may be empty
	Controls                    []string
}

const maxUnits = 100_000

// ReadUnits reads a CSV file of units: a line each, amounts in one unit for all. A row
// that cannot be used is an error that names file and line.
func ReadUnits(file string, from io.Reader, c EffectColumns) (*EffectUnits, error) {
	if c.Target == "" || c.Seeded == "" {
		return nil, fmt.Errorf("%s: the columns of the target and of seeding must be named", file)
	}
	u := &EffectUnits{File: file, Target: c.Target, Controls: c.Controls, Amounts: evaluate.Units{Controls: make([][]float64, len(c.Controls))}}
	needed := append([]string{c.Target, c.Seeded}, c.Controls...)
	for _, name := range []string{c.Name, c.Block} {
		if name != "" {
			needed = append(needed, name)
		}
	}
	seen := map[string]bool{}
	for _, name := range needed {
		if seen[name] {
			return nil, fmt.Errorf("%s: column %q is asked for twice", file, name)
		}
		seen[name] = true
	}
	blocks := map[string]int{}
	var failed rowErrors
	err := readTable(file, from, needed, nil, func(where string, field func(string) string) bool {
		failed.add(u.take(where, field, c, blocks))
		return !failed.full()
	})
	failed.add(err)
	if err := failed.err(); err != nil {
		return nil, err
	}
	return u, nil
}

func (u *EffectUnits) take(where string, field func(string) string, c EffectColumns, blocks map[string]int) error {
	if len(u.Seeded) >= maxUnits {
		return fmt.Errorf("%s: more than %d units", where, maxUnits)
	}
	amount := func(name string) (float64, error) {
		x, err := numberOf(field(name))
		if err != nil {
			return 0, fmt.Errorf("%s: %s: %w", where, name, err)
		}
		if x < 0 {
			return 0, fmt.Errorf("%s: %s: an amount of %v is less than nought; leave a missing value empty", where, name, x)
		}
		return x, nil
	}
	var seeded bool
	switch text := strings.ToLower(field(c.Seeded)); text {
	case "yes", "true", "1":
		seeded = true
	case "no", "false", "0":
	default:
		return fmt.Errorf("%s: %s: %q is neither yes nor no", where, c.Seeded, text)
	}
	target, err := amount(c.Target)
	if err != nil {
		return err
	}
	controls := make([]float64, len(c.Controls))
	for k, name := range c.Controls {
		if controls[k], err = amount(name); err != nil {
			return err
		}
	}
	name, block := fmt.Sprint(len(u.Seeded)+1), 0
	if c.Name != "" {
		name = field(c.Name)
	}
	if c.Block != "" {
		text := field(c.Block)
		if text == "" {
			return fmt.Errorf("%s: %s is empty", where, c.Block)
		}
		if _, known := blocks[text]; !known {
			blocks[text] = len(blocks)
		}
		block = blocks[text]
	}
	u.Names, u.Seeded, u.Blocks = append(u.Names, name), append(u.Seeded, seeded), append(u.Blocks, block)
	u.Amounts.Target = append(u.Amounts.Target, target)
	for k := range controls {
		u.Amounts.Controls[k] = append(u.Amounts.Controls[k], controls[k])
	}
	return nil
}

// part gives the units that were seeded, or those that were not.
func (u *EffectUnits) part(seeded bool) (evaluate.Units, []string) {
	some := evaluate.Units{Controls: make([][]float64, len(u.Amounts.Controls))}
	var names []string
	for i, is := range u.Seeded {
		if is != seeded {
			continue
		}
		names = append(names, u.Names[i])
		some.Target = append(some.Target, u.Amounts.Target[i])
		for j := range some.Controls {
			some.Controls[j] = append(some.Controls[j], u.Amounts.Controls[j][i])
		}
	}
	return some, names
}

// Effect is what the amounts say of an effect of seeding.
type Effect struct {
	File        string                     `json:"file"`
	Target      string                     `json:"target"`
	Controls    []string                   `json:"controls"`
	Compared    string                     `json:"compared"`
	Cautions    []string                   `json:"cautions"`
	Regression  *evaluate.RegressionResult `json:"regression,omitempty"`
	Single      evaluate.RatioResult       `json:"single_ratio"`
	Double      *evaluate.RatioResult      `json:"double_ratio,omitempty"`
	Permutation evaluate.Permutation       `json:"permutation"`
	// Statistic that the permutation test asks of.
	Statistic string `json:"statistic"`
	// Bonferroni is the probability times the number of comparisons.
	Bonferroni evaluate.Value `json:"p_bonferroni"`
	Units      []EffectUnit   `json:"units"`
}

// EffectUnit is one unit, for the picture.
type EffectUnit struct {
	Name     string            `json:"name"`
	Seeded   bool              `json:"seeded"`
	Target   evaluate.Number   `json:"target"`
	Controls []evaluate.Number `json:"controls"`
}

// NewEffect makes all estimates of an effect from one set of units.
func NewEffect(u *EffectUnits, design evaluate.Design, b evaluate.BootstrapOptions) (*Effect, error) {
	seeded, _ := u.part(true)
	unseeded, _ := u.part(false)
	o := evaluate.EffectOptions{Design: design, Bootstrap: b}
	e := &Effect{File: u.File, Target: u.Target, Controls: u.Controls, Units: []EffectUnit{}}
	if e.Controls == nil {
		e.Controls = []string{}
	}
	e.Compared = fmt.Sprintf("%s of %d seeded units with that of %d unseeded ones", u.Target, len(seeded.Target), len(unseeded.Target))
	if len(u.Controls) > 0 {
		e.Compared += ", against " + strings.Join(u.Controls, ", ")
	}
	e.Compared += "."
	add := func(cautions []string) {
		for _, c := range cautions {
			if !contains(e.Cautions, c) {
				e.Cautions = append(e.Cautions, c)
			}
		}
	}
	var err error
	if len(u.Controls) > 0 {
		regression, err := evaluate.HistoricalRegression(seeded, unseeded, o)
		if err != nil {
			return nil, err
		}
		double, err := evaluate.DoubleRatio(seeded, unseeded, o)
		if err != nil {
			return nil, err
		}
		e.Regression, e.Double = &regression, &double
		add(regression.Cautions)
		add(double.Cautions)
	}
	if e.Single, err = evaluate.SingleRatio(seeded.Target, unseeded.Target, o); err != nil {
		return nil, err
	}
	add(e.Single.Cautions)
	if err := e.permute(u, design, b); err != nil {
		return nil, err
	}
	add(e.Permutation.Cautions)
	e.Bonferroni = evaluate.Bonferroni(e.Permutation.P, design.Comparisons)
	for i := range u.Seeded {
		one := EffectUnit{Name: u.Names[i], Seeded: u.Seeded[i], Target: evaluate.Number(u.Amounts.Target[i]), Controls: []evaluate.Number{}}
		for j := range u.Amounts.Controls {
			one.Controls = append(one.Controls, evaluate.Number(u.Amounts.Controls[j][i]))
		}
		e.Units = append(e.Units, one)
	}
	return e, nil
}

// permute tests the units that have all amounts.
func (e *Effect) permute(u *EffectUnits, design evaluate.Design, b evaluate.BootstrapOptions) error {
	var target, control []float64
	var seeded []bool
	var blocks []int
	for i := range u.Seeded {
		sum, whole := 0., !math.IsNaN(u.Amounts.Target[i])
		for j := range u.Amounts.Controls {
			sum += u.Amounts.Controls[j][i] / float64(len(u.Amounts.Controls))
		}
		if !whole || math.IsNaN(sum) {
			continue
		}
		target, control, seeded, blocks = append(target, u.Amounts.Target[i]), append(control, sum), append(seeded, u.Seeded[i]), append(blocks, u.Blocks[i])
	}
	statistic := evaluate.LogRatio(target)
	e.Statistic = "ln of the single ratio"
	if len(u.Controls) > 0 {
		statistic = evaluate.LogDoubleRatio(target, control)
		e.Statistic = "ln of the double ratio"
	}
	var err error
	e.Permutation, err = evaluate.Permute(blocks, seeded, statistic, evaluate.PermutationOptions{Design: design, Seed: b.Seed, Workers: b.Workers})
	return err
}

func contains(all []string, one string) bool {
	for _, s := range all {
		if s == one {
			return true
		}
	}
	return false
}

// predicted are the names of the seeded units that the regression predicts: those with
// all amounts, in order.
func (e *Effect) predicted() []string {
	var names []string
	for _, u := range e.Units {
		if u.Seeded && u.whole() {
			names = append(names, u.Name)
		}
	}
	return names
}

func (u *EffectUnit) whole() bool {
	whole := u.Target.Known()
	for _, c := range u.Controls {
		whole = whole && c.Known()
	}
	return whole
}
