//! Example plug-in: depths of a buried line, read off an electromagnetic locator.

mod depth;
mod readings;

gunter_plugin::export_plugin!(name: "linetrace", stages: [depth::Depth]);
