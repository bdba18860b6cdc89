# Hosts that are never stopped, and guests.

site "barn" {
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

ups "shelf" {
  rated_watts = 900
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    serial = "2"
  }
}

host "router" {
  stays_up   = true
  fed_by     = ["rack"]
  watts      = 10
  depends_on = ["hyper"] # ERROR: Needs a host that is stopped
  ssh { # ERROR: Does not apply here
  }
}

host "hyper" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50 # ERROR: Guests draw more than their host
  stops_in = "1m"
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "one" {
  priority = 50
  stops_in = "1m"
  runs_on = "hyper"
  watts   = 30
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "two" {
  priority = 50
  stops_in = "1m"
  runs_on = "hyper"
  watts   = 20.5
  fed_by  = ["shelf"] # ERROR: Guest with feeds of its own
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}
