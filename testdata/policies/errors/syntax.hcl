# Several syntax errors: one block's does not hide the next one's, and what is
# whole is checked further.

site "barn" {
  ride_through = "75s", # ERROR: Syntax error
}

load "radio" { fed_by = ["rack"]  watts = 12 } # ERROR: Syntax error

load "bridge" {
  fed_by "rack" # ERROR: Syntax error
}

load "unclosed" { # ERROR: Syntax error
  fed_by = ["rack"]
  watts  = 12

load "mast" {
  fed_by = ["rack" "shelf"] # ERROR: Syntax error
}

load "curly" {
  fed_by = [“rack”] # ERROR: Syntax error
}

load = { # ERROR: Unknown attribute
  watts = 12
}

host "vault" {
  priority = # ERROR: Syntax error
}

host "press" {
  priorty  = 60 # ERROR: Unknown attribute
  fed_by   = ["raxk"] # ERROR: Unknown UPS
  watts    = 300
  stops_in = "1m"
  priority = 1
  # The vault could not be read, but it is declared.
  depends_on = ["vault", "bridge"]
  ssh {
    address     = "192.0.2.30"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

ups "rack" {
  rated_watts = 2700 @ 5 # ERROR: Syntax error
  } # the next brace is one too many
} # ERROR: Syntax error
