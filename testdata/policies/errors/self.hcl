# An own host that cannot be the last one.

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

host "vault" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"

  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "gate" {
  self       = true
  priority   = 100
  fed_by     = ["rack"]
  watts      = 8
  stops_in   = "30s"
  depends_on = ["vault"] # ERROR: Own host is not last
  local {
    command = ["systemctl", "poweroff"]
  }
  ssh { # ERROR: Own host stopped from outside
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "second" { # ERROR: Host without a way to stop it
  self     = true # ERROR: Second own host
  priority = 100
  fed_by   = ["rack"]
  watts    = 8
  stops_in = "30s"
}
