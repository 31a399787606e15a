//! Hands version and commit to the plugin description.

fn main() {
    gst_plugin_version_helper::info();
}
