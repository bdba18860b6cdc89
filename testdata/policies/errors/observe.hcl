# Hosts that cannot be only watched as it is written.

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

group "all" {
  priority = 50
  stops_in = "1m"
  watts    = 20
  ssh {
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  wake { ethernet = "02:00:00:00:00:20" }
}

host "hyper" {
  group  = "all"
  fed_by = ["rack"]
  watts  = 60
  ssh { address = "192.0.2.20" }
}

host "guest" {
  group   = "all"
  runs_on = "hyper"
  observe = true # ERROR: Guest watched on a host that is stopped
  ssh { address = "192.0.2.21" }
}

host "router" {
  stays_up = true
  observe  = true # ERROR: Does not apply here
  fed_by   = ["rack"]
  watts    = 10
}

host "desk" {
  group   = "all"
  fed_by  = ["rack"]
  observe = "yes" # ERROR: Wrong kind of value
  ssh { address = "192.0.2.22" }
}
