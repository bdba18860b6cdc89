# One UPS and three hosts: the least that a policy says.

site "home" {
}

ups "closet" {
  rated_watts = 900
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    path = "/dev/hidraw0"
  }
  output {
    cut_after    = "2m"
    return_after = "30s"
  }
}

host "desk" {
  priority = 10
  fed_by   = ["closet"]
  watts    = 120
  stops_in = "1m"
  ssh {
    address  = "192.0.2.21"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
    command  = "sudo systemctl poweroff"
  }
  wake {
    ethernet = "02:00:00:00:00:21"
  }
}

host "disks" {
  priority = 50
  fed_by   = ["closet"]
  watts    = 60
  stops_in = "2m"
  ssh {
    address  = "192.0.2.22"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:VlxnmNz1rsZ0ezrzGgsEDVIdZYPxUlGhdKULMVkOnGE"
    command  = "sudo systemctl poweroff"
  }
  wake {
    ethernet = "02:00:00:00:00:22"
  }
}

# The agent runs here. Set this board to start with the power.
host "board" {
  self     = true
  priority = 100
  fed_by   = ["closet"]
  watts    = 6
  stops_in = "30s"
  local {
    command = ["systemctl", "poweroff"]
  }
}
