"""Tables, figures and methods text of a finished run in the form that journals take."""
