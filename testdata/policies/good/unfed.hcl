# The agent runs on a machine that hangs on none of the UPSs: an outage does not
# touch it, and it is no part of the plan.

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
}

host "vault" {
  priority   = 50
  fed_by     = ["rack"]
  watts      = 50
  stops_in   = "1m"
  depends_on = ["gate"]
  ssh {
    address  = "192.0.2.20"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
  }
}
