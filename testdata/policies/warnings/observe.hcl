# Hosts that are only watched beside others that are stopped.

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
  output { # WARNING: Output left on
    cut_after    = "2m"
    return_after = "1m"
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
  output { # WARNING: Output left on
    cut_after    = "2m"
    return_after = "1m"
  }
}

load "switch" {
  fed_by = ["shelf"]
  watts  = 20
}

group "all" {
  priority = 50
  stops_in = "1m"
  fed_by   = ["rack"]
  watts    = 20
  ssh {
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  wake { ethernet = "02:00:00:00:00:20" }
}

host "board" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  stops_in = "30s"
  watts    = 6
  local { command = ["systemctl", "poweroff"] }
}

host "disks" {
  group = "all"
  ssh { address = "192.0.2.21" }
  wake { ethernet = "02:00:00:00:00:21" }
}

host "trial" {
  group      = "all"
  fed_by     = ["rack", "shelf"]
  observe    = true                # WARNING: No orders are given
  depends_on = ["disks", "switch"] # WARNING: Stopped under a host that stays up # WARNING: Needed on another feed
  ssh { address = "192.0.2.22" }
  wake { ethernet = "02:00:00:00:00:22" }
}
