# An agent in a guest: its machine would have to go after the last.

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

host "hyper" {
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

host "agent" {
  self     = true
  priority = 100
  runs_on  = "hyper" # ERROR: Own host is not last
  stops_in = "30s"
  local {
    command = ["systemctl", "poweroff"]
  }
}
