package evaluate

import (
	"encoding/json"
	"math"
	"os"
	"sync"
	"testing"
)

// golden has the values of reference libraries: testdata/golden.py names them.
type golden struct {
	Contingency []map[string]*float64 `json:"contingency"`
	Probability []struct {
		Name           string               `json:"name"`
		P              []float64            `json:"p"`
		O              []float64            `json:"o"`
		Brier          float64              `json:"brier"`
		AUC            float64              `json:"auc"`
		AUCSklearn     float64              `json:"auc_sklearn"`
		AUCMannWhitney float64              `json:"auc_mannwhitney"`
		POD            []float64            `json:"pod"`
		POFD           []float64            `json:"pofd"`
		Decompositions []map[string]float64 `json:"decompositions"`
		SD             float64              `json:"standard_deviation"`
	} `json:"probability"`
	Consistency struct {
		P    []float64 `json:"p"`
		O    []float64 `json:"o"`
		Low  []float64 `json:"low"`
		High []float64 `json:"high"`
	} `json:"consistency"`
	CRPS []struct {
		Members       []float64 `json:"members"`
		Observed      float64   `json:"observed"`
		Properscoring float64   `json:"properscoring"`
		ECDF          *float64  `json:"ecdf"`
		Fair          *float64  `json:"fair"`
		UpperECDF     *float64  `json:"upper_ecdf"`
		UpperFair     *float64  `json:"upper_fair"`
		LowerECDF     *float64  `json:"lower_ecdf"`
		LowerFair     *float64  `json:"lower_fair"`
		BetweenECDF   *float64  `json:"between_ecdf"`
		BetweenFair   *float64  `json:"between_fair"`
	} `json:"crps"`
	Pinball struct {
		Forecast []float64          `json:"forecast"`
		Observed []float64          `json:"observed"`
		Scores   map[string]float64 `json:"scores"`
	} `json:"pinball"`
	Regression []struct {
		Name             string      `json:"name"`
		UnseededControls [][]float64 `json:"unseeded_controls"`
		UnseededTarget   []float64   `json:"unseeded_target"`
		SeededControls   [][]float64 `json:"seeded_controls"`
		SeededTarget     []float64   `json:"seeded_target"`
		Coefficients     []float64   `json:"coefficients"`
		StandardErrors   []float64   `json:"standard_errors"`
		T                []float64   `json:"t"`
		P                []float64   `json:"p"`
		RSquared         float64     `json:"r_squared"`
		ResidualError    float64     `json:"residual_error"`
		Predicted        []float64   `json:"predicted"`
		PredictionError  []float64   `json:"prediction_error"`
		Low              []float64   `json:"low"`
		High             []float64   `json:"high"`
		ExcessSum        float64     `json:"excess_sum"`
		ExcessLow        float64     `json:"excess_low"`
		ExcessHigh       float64     `json:"excess_high"`
		ExcessT          float64     `json:"excess_t"`
		ExcessP          float64     `json:"excess_p"`
	} `json:"regression"`
	DoubleRatio struct {
		Double           float64 `json:"double"`
		LogError         float64 `json:"log_error"`
		DegreesOfFreedom float64 `json:"degrees_of_freedom"`
		Low              float64 `json:"low"`
		High             float64 `json:"high"`
		Risk             struct {
			SeededYes   int     `json:"seeded_yes"`
			SeededNo    int     `json:"seeded_no"`
			UnseededYes int     `json:"unseeded_yes"`
			UnseededNo  int     `json:"unseeded_no"`
			Ratio       float64 `json:"ratio"`
			LogError    float64 `json:"log_error"`
		} `json:"risk"`
	} `json:"double_ratio"`
	Permutation []struct {
		Name     string    `json:"name"`
		Amounts  []float64 `json:"amounts"`
		Block    []int     `json:"block"`
		Seeded   []int     `json:"seeded"`
		TwoSided *float64  `json:"two_sided"`
		Greater  *float64  `json:"greater"`
		Less     *float64  `json:"less"`
	} `json:"permutation"`
	Bootstrap struct {
		One                []float64  `json:"one"`
		Seeded             []float64  `json:"seeded"`
		Unseeded           []float64  `json:"unseeded"`
		VariancePercentile [2]float64 `json:"variance_percentile"`
		VarianceBCa        [2]float64 `json:"variance_bca"`
		VarianceError      float64    `json:"variance_error"`
		MeanPercentile     [2]float64 `json:"mean_percentile"`
		MeanBCa            [2]float64 `json:"mean_bca"`
		MeanError          float64    `json:"mean_error"`
		RatioPercentile    [2]float64 `json:"ratio_percentile"`
		RatioBCa           [2]float64 `json:"ratio_bca"`
		RatioError         float64    `json:"ratio_error"`
	} `json:"bootstrap"`
	Distribution struct {
		Values    []float64 `json:"values"`
		Quantiles []float64 `json:"quantiles"`
		Mean      float64   `json:"mean"`
		Student   []struct {
			P     float64 `json:"p"`
			DF    float64 `json:"df"`
			Value float64 `json:"value"`
		} `json:"student"`
		TwoSided []struct {
			T     float64 `json:"t"`
			DF    float64 `json:"df"`
			Value float64 `json:"value"`
		} `json:"two_sided"`
		Normal []struct {
			P     float64 `json:"p"`
			Value float64 `json:"value"`
		} `json:"normal"`
	} `json:"distribution"`
}

var readGolden = sync.OnceValues(func() (golden, error) {
	var g golden
	b, err := os.ReadFile("testdata/golden.json")
	if err == nil {
		err = json.Unmarshal(b, &g)
	}
	return g, err
})

func goldenTable(t *testing.T) golden {
	t.Helper()
	g, err := readGolden()
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// near says that got is want but for a relative or absolute difference of tolerance.
func near(got, want, tolerance float64) bool {
	return math.Abs(got-want) <= tolerance*math.Max(1, math.Abs(want))
}

func check(t *testing.T, name string, got, want, tolerance float64, source string) {
	t.Helper()
	if !near(got, want, tolerance) {
		t.Errorf("%s: got %.15g, want %.15g ± %g (%s)", name, got, want, tolerance, source)
	}
}

// must is for calls whose arguments are known to be good.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// written checks that a result becomes JSON and text.
func written(t *testing.T, result interface{ String() string }) {
	t.Helper()
	if _, err := json.Marshal(result); err != nil {
		t.Errorf("%T to JSON: %v", result, err)
	}
	if s := result.String(); s == "" || len(s) > 1000 {
		t.Errorf("%T as text: %q", result, s)
	}
}
