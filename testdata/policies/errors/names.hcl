# Names that nobody declared, that are declared twice, or that are no names.

site "barn" {
}

variable "net" {
  value = "192.0.2"
}

variable "net" { # ERROR: Duplicate name
  value = "192.0.3"
}

variable "none" { # ERROR: Missing attribute
}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    serial = "1"
  }
}

ups "rack" { # ERROR: Duplicate name
}

ups "-rack" { # ERROR: Invalid name # WARNING: UPS not read
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
  }
}

ups "" { # ERROR: Invalid name # ERROR: Missing block # WARNING: UPS not read
  rated_watts = 2700
}

load "radio" {
  fed_by = ["rakc"] # ERROR: Unknown UPS
  watts  = 12
}

load "bridge" {
  fed_by = ["rack", "rack"] # ERROR: Duplicate entry
  watts  = 12
}

group "guests" {
  stops_in = "45s"
}

group "guests" { # ERROR: Duplicate name
}

group "unused" {
  fed_by     = ["attic"]            # ERROR: Unknown UPS
  depends_on = ["nobody-is-called"] # ERROR: Unknown host
}

host "vault" {
  group      = "geusts"                  # ERROR: Unknown group
  priority   = 90
  fed_by     = ["radio"]                 # ERROR: Unknown UPS
  watts      = var.wats                  # ERROR: Unknown variable
  depends_on = ["radoi", "rack", "press"] # ERROR: Unknown host # ERROR: Unknown host
  stops_in   = "1m"
  ssh {
    address     = "${vra.net}.20" # ERROR: Unknown variable
    user        = lowr("EBBLINE") # ERROR: Unknown function
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "press" {
  priority = 60
  fed_by   = [rack] # ERROR: Unknown variable
  watts    = 300
  stops_in = "1m"
  ssh {
    address     = "192.0.2.30"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "press" { # ERROR: Duplicate name
}

host "radio" { # ERROR: Duplicate name
}

host "mail" {
  runs_on  = "pres" # ERROR: Unknown host
  priority = 50
  stops_in = "1m"
  ssh {
    address     = "192.0.2.31"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "wiki" {
  group    = "" # ERROR: Invalid text
  runs_on  = "bridge" # ERROR: Unknown host
  priority = 50
  stops_in = "1m"
  ssh {
    address     = "192.0.2.32"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}
