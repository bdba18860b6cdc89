# The agent's own host hangs on no UPS, and the rest does not agree.

site "barn" {
}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    installed = "2025-03-01"
    chart     = { "100" = "60m", "200" = "25m" }
  }
  hid {
    serial = "1"
  }
  output {
    cut_after    = "2m"
    return_after = "30s"
  }
}

host "gate" {
  self   = true
  fed_by = []
  local { # ERROR: Does not apply here
    command = ["systemctl", "poweroff"]
  }
}

host "other" {
  self   = true # ERROR: Second own host
  fed_by = []
}

host "guest" {
  priority = 50
  runs_on  = "gate" # ERROR: No feed
  stops_in = "1m"
  ssh {
    address  = "192.0.2.20"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
  }
}

host "second" {
  self     = true # ERROR: Second own host
  priority = 100
  fed_by   = ["rack"]
  watts    = 6
  stops_in = "30s"
  local {
    command = ["systemctl", "poweroff"]
  }
}

host "third" { # ERROR: No feed
  priority = 50
  watts    = 6
  stops_in = "30s"
  ssh {
    address  = "192.0.2.21"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
  }
}
