package alert

// placeholders of an argument of a command.
var placeholders = []string{"{subject}", "{short}", "{id}", "{kind}", "{severity}"}
