package grid

// ServesAtmosphere tells from a field's name, level and times, without its
// values, whether BuildAtmosphere has a use for it, so that the others need not
// be decoded.
func ServesAtmosphere(f *Field) bool { return classify(f).what != notUsed }
