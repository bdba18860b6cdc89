# A site that is only watched, and a host that says otherwise.

site "barn" {
  observe = true
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

host "desk" {
  priority = 50
  stops_in = "1m"
  watts    = 20
  fed_by   = ["rack"]
  observe  = false # ERROR: The whole site is only watched
  ssh {
    address     = "192.0.2.22"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  wake { ethernet = "02:00:00:00:00:20" }
}
